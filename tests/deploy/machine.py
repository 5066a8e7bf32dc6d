"""A small computer with Debian 12 and a booted systemd, whose power can be cut.

It is Debian's Linux kernel as a process (user-mode-linux), which needs no virtualization of its
host and is far faster than an emulated processor. The machine sees servers of the test at HOST. Its
disk has a write cache that a power cut empties (`volatile_disk`). Commands go in by a small server
of root's, which the line between the two alone reaches.
"""

import json
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from tests.deploy.debian import copy_checkout, fetch_wheels, make_root
from tests.deploy.volatile_disk import VolatileDisk
from tests.support.patience import WITHIN_S

HOST = "10.0.2.2"
"""Where the machine sees the computer that it runs on."""

_OWN_ADDRESS = "10.0.2.15"
_LINE = "cabinetwatch0"
_PACKAGES = ("systemd-sysv", "dbus", "python3", "python3-venv")
_DISK = "2G"
_BOOT_WITHIN_S = 5 * WITHIN_S
_CLOCK = "cabinet.clock"
_PORT = 700
_AGENT = f"""
import json, socketserver, subprocess

class OneCommand(socketserver.StreamRequestHandler):
    def handle(self):
        command, length = json.loads(self.rfile.readline())
        given = self.rfile.read(length)
        ran = subprocess.run(["sh", "-c", command], input=given, capture_output=True)
        head = [ran.returncode, len(ran.stdout), len(ran.stderr)]
        self.wfile.write(json.dumps(head).encode() + b"\\n" + ran.stdout + ran.stderr)

class Agent(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True

Agent(("{_OWN_ADDRESS}", {_PORT}), OneCommand).serve_forever()
"""
_FILES = {
    "etc/fstab": "/dev/vda / ext4 defaults,noatime 0 1\n",
    "etc/hostname": "cabinet\n",
    "etc/hosts": f"127.0.0.1 localhost cabinet\n{HOST} mail.under-stairs.example\n",
    "etc/systemd/network/wired.network": f"""
[Match]
Name=vec0
[Network]
Address={_OWN_ADDRESS}/24
""",
    "usr/local/sbin/agent": _AGENT,
    "etc/systemd/system/agent.service": """
[Unit]
Wants=network-online.target
After=network-online.target
[Service]
Environment=HOME=/root LC_ALL=C
ExecStart=/usr/bin/python3 -I /usr/local/sbin/agent
[Install]
WantedBy=multi-user.target
""",
    # Before systemd has its own opinion of the time, and anything else a timer.
    "etc/systemd/system/wake.service": f"""
[Unit]
DefaultDependencies=no
Before=sysinit.target
ConditionKernelCommandLine={_CLOCK}
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'date -u -s "$$(grep -o {_CLOCK}=[^[:space:]]* /proc/cmdline | cut -d= -f2)"'
[Install]
WantedBy=sysinit.target
""",
}

_START = """#!/bin/sh
# What the kernel starts, with the files of its host: they alone have the module for its disk.
PATH=/usr/sbin:/usr/bin:/sbin:/bin
insmod /usr/lib/uml/modules/$(uname -r)/kernel/drivers/block/virtio_blk.ko
mount -t sysfs sysfs /sys
echo write back >/sys/block/vda/cache_type # nobody else tells the driver to flush it
mount -t ext4 -o noatime /dev/vda /mnt
cd /mnt
pivot_root . mnt
exec <dev/console >dev/console 2>&1
exec chroot . sh -c 'mount -t proc proc /proc; umount -l /mnt; exec /sbin/init'
"""


def build_image(folder: Path) -> Path:
    """Make a disk with Debian 12, a clone of the project in /src and its pins in /wheels."""
    for program, package in (
        ("linux.uml", "user-mode-linux"), ("qemu-storage-daemon", "qemu-system-common"),
        ("mkfs.ext4", "e2fsprogs"), ("ip", "iproute2"), ("insmod", "kmod"),
    ):  # fmt: skip
        if shutil.which(program) is None:
            raise RuntimeError(f"{program} is missing: install {package} to run these tests")
    root = folder / "root"
    make_root("bookworm", root, _PACKAGES)
    fetch_wheels(root / "wheels", "3.11")
    copy_checkout(root / "src")
    for name, content in _FILES.items():
        (root / name).write_text(content)
    (root / "var" / "log" / "journal").mkdir(exist_ok=True)
    units = ["systemd-networkd", "agent", "wake"]
    subprocess.run(["systemctl", "--quiet", f"--root={root}", "enable", *units], check=True)
    for each in ("var/cache/apt/archives", "var/lib/apt/lists"):
        shutil.rmtree(root / each)
        (root / each).mkdir()
    disk = folder / "disk"
    subprocess.run(["mkfs.ext4", "-q", "-d", str(root), str(disk), _DISK], check=True)
    shutil.rmtree(root)
    return disk


@dataclass(frozen=True)
class Ran:
    """What a command in the machine has come to."""

    status: int
    output: bytes
    error: bytes

    @property
    def text(self) -> str:
        """All that it wrote, for people."""
        return (self.output + self.error).decode(errors="replace")


class Machine:
    """One machine with a disk of its own, off to begin with."""

    def __init__(self, image: Path, folder: Path, seed: int = 0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self.disk = folder / "disk"
        subprocess.run(
            ["cp", "--sparse=always", "--reflink=auto", str(image), str(self.disk)], check=True
        )
        self._drive = VolatileDisk(self.disk, folder / "disk.sock", seed)
        self._cable: subprocess.Popen[bytes] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._lines: list[socket.socket] = []
        _plug_in_network()

    @property
    def console(self) -> str:
        """What kernel and systemd have written to the console, over all boots."""
        path = self._folder / "console"
        return path.read_text(errors="replace") if path.exists() else ""

    def boot(self, clock: str = "") -> "Machine":
        """Switch it on, with its clock at an instant of UTC if one is given."""
        assert self._process is None, "the machine is on already"
        with (self._folder / "console").open("ab") as log:
            self._cable = self._connect_disk(log)
            self._process = subprocess.Popen(
                self._command(clock),
                # Not told of another folder for it, it has its memory in memory.
                env={"PATH": os.environ["PATH"]},
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
        try:
            self._wait_awake()
        except BaseException as error:
            self.cut()
            error.add_note(self.console[-3000:])
            raise
        return self

    def run(self, command: str, given: bytes = b"", *, check: bool = True) -> Ran:
        """Run a shell command as root to its end, and have it succeed unless told otherwise."""
        return self.wait(self.begin(command, given), command, check=check)

    def begin(self, command: str, given: bytes = b"") -> socket.socket:
        """Start a shell command as root; give the line on which its end will be told."""
        assert self._process is not None, "the machine is off"
        line = socket.create_connection((_OWN_ADDRESS, _PORT), WITHIN_S)
        self._lines.append(line)
        line.sendall(json.dumps([command, len(given)]).encode() + b"\n" + given)
        return line

    def wait(
        self, line: socket.socket, what: str, within_s: float = 20 * WITHIN_S, *, check: bool = True
    ) -> Ran:
        """Wait for the end of a command that was begun."""
        line.settimeout(within_s)
        with line, line.makefile("rb") as told:
            head = told.readline()
            if not head:
                raise ConnectionError("the machine is gone")
            status, *lengths = json.loads(head)
            ran = Ran(status, *(told.read(length) for length in lengths))
        assert ran.status == 0 or not check, f"{what} ended with {ran.status}: {ran.text[-3000:]}"
        return ran

    def write(
        self, path: str, content: str | bytes, mode: str = "0644", group: str = "root"
    ) -> None:
        """Write a file of root's."""
        data = content.encode() if isinstance(content, str) else content
        place = f"install -D -m {mode} -o root -g {group} /dev/stdin {path}"
        self.run(place, data)

    def until(self, command: str, what: str, within_s: float = WITHIN_S) -> None:
        """Wait until a shell command succeeds."""
        until = time.monotonic() + within_s
        while (ran := self.run(command, check=False)).status != 0:
            if time.monotonic() > until:
                raise TimeoutError(
                    f"waited for {what}: {ran.text[-500:]}\n{self.journal()[-3000:]}"
                )
            time.sleep(0.2)

    def journal(self, unit: str = "cabinetwatch*") -> str:
        """What the units have logged since the machine was made."""
        return self.run(f"journalctl --no-pager -o short-iso -u '{unit}'", check=False).text

    def cut(self) -> int:
        """Cut its power; give how many blocks of 4096 bytes its disk has lost."""
        if self._process is not None:
            # The disk goes first: an end of the kernel's process would flush it.
            os.killpg(self._process.pid, signal.SIGSTOP)
            self._disconnect_disk(signal.SIGKILL)
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(WITHIN_S)
            self._off()
        return self._drive.cut()

    def power_off(self) -> None:
        """Shut it down in good order."""
        assert self._process is not None, "the machine is off"
        self.begin("systemctl poweroff")
        self._process.wait(WITHIN_S)
        self._off()
        self._disconnect_disk(signal.SIGTERM)

    def read_folder(self, path: str, into: Path) -> Path:
        """Copy a folder off the disk of a machine that is off, the disk's journal replayed."""
        assert self._process is None, "the machine is on"
        into.mkdir(parents=True)
        copy = into / "disk"
        self._drive.settle()
        subprocess.run(
            ["cp", "--sparse=always", "--reflink=auto", str(self.disk), str(copy)], check=True
        )
        # 1: faults were mended, which the journal of a cut disk counts as.
        checked = subprocess.run(
            ["e2fsck", "-p", str(copy)], capture_output=True, text=True, check=False
        )
        assert checked.returncode in (0, 1), checked.stdout + checked.stderr
        subprocess.run(
            ["debugfs", "-R", f"rdump {path} {into}", str(copy)], capture_output=True, check=True
        )
        copy.unlink()
        # The test's own: the store lets root act as the owner of its folder.
        for each in into.rglob("*"):
            os.chown(each, os.geteuid(), os.getegid())
        return into / Path(path).name

    def take_disk(self) -> Path:
        """Give the disk of a machine that is off, all of it written, for others to start from."""
        assert self._process is None, "the machine is on"
        self._drive.settle()
        return self.disk

    def close(self) -> None:
        """Switch it off for good and delete its disk."""
        self.cut()
        self._disconnect_disk(signal.SIGKILL)
        self._drive.close()
        self.disk.unlink(missing_ok=True)
        subprocess.run(["ip", "link", "delete", _LINE], check=True)

    def _off(self) -> None:
        self._process = None
        for line in self._lines:
            line.close()
        self._lines.clear()

    def _wait_awake(self) -> None:
        """Wait until the server of a booted system answers."""
        for _ in _turns(_BOOT_WITHIN_S):
            assert self._process is not None
            if self._process.poll() is not None:
                raise RuntimeError(f"the machine ended with status {self._process.returncode}")
            try:
                socket.create_connection((_OWN_ADDRESS, _PORT), 1.0).close()
            except OSError:
                continue
            return

    def _connect_disk(self, log: BinaryIO) -> subprocess.Popen[bytes]:
        """Lead the disk to where the kernel looks for it: it knows another protocol."""
        plug = self._folder / "drive.sock"
        plug.unlink(missing_ok=True)
        disk = f"nbd,node-name=disk,server.type=unix,server.path={self._drive.address}"
        export = (
            f"vhost-user-blk,id=disk,node-name=disk,writable=on,addr.type=unix,addr.path={plug}"
        )
        cable = subprocess.Popen(
            ["qemu-storage-daemon", "--blockdev", disk, "--export", export],
            stdin=subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip
        for _ in _turns(WITHIN_S):
            if plug.exists():
                break
            assert cable.poll() is None, self.console[-1000:]
        return cable

    def _disconnect_disk(self, number: int) -> None:
        if self._cable is not None:
            self._cable.send_signal(number)
            self._cable.wait(WITHIN_S)
            self._cable = None

    def _command(self, clock: str) -> list[str]:
        start = self._folder / "start"
        start.write_text(_START)
        start.chmod(0o755)
        return [
            "linux.uml", "mem=1G", f"uml_dir={self._folder}", "umid=cabinet",
            f"virtio_uml.device={self._folder / 'drive.sock'}:2",
            "rootfstype=hostfs", "rootflags=/", "ro", f"init={start}",
            "quiet", "panic=-1", "noreboot",
            f"vec0:transport=tap,ifname={_LINE},depth=64,gro=1", "con=null", "con0=null,fd:1",
            *([f"{_CLOCK}={clock}"] if clock else []),
        ]  # fmt: skip


def _plug_in_network() -> None:
    for words in (
        f"tuntap add {_LINE} mode tap", f"addr add {HOST}/24 dev {_LINE}", f"link set {_LINE} up",
    ):  # fmt: skip
        subprocess.run(["ip", *words.split()], check=True)


def _turns(within_s: float) -> Iterator[None]:
    """Give turns to look, until there has been time enough."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        yield
        time.sleep(0.05)
    raise TimeoutError("the machine does not answer")
