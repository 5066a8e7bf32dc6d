"""A small computer with Debian 12 and a booted systemd: a virtual machine whose power can be cut.

The machine sees servers of the test on 127.0.0.1 as HOST. Its disk has a write cache that a power
cut empties (`volatile_disk`). Commands go in through the guest agent of QEMU, by a serial line of
its own, so that neither network nor login is needed.
"""

import base64
import functools
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.deploy.debian import copy_checkout, fetch_wheels, make_root, run_in_root
from tests.deploy.volatile_disk import VolatileDisk
from tests.support.patience import WITHIN_S

HOST = "10.0.2.2"
"""Where the machine sees the computer that it runs on."""

_PACKAGES = ("systemd-sysv", "dbus", "linux-image-cloud-amd64", "qemu-guest-agent", "python3",
             "python3-venv")  # fmt: skip
_NETWORK = "[Match]\nName=e*\n[Network]\nDHCP=yes\n"
_DISK = "2G"
_BOOT_WITHIN_S = 5 * WITHIN_S


@dataclass(frozen=True)
class Image:
    """What a machine is booted from."""

    kernel: Path
    initrd: Path
    disk: Path


def build_root(folder: Path) -> Path:
    """Make a Debian 12 with a clone of the project in /src, its pins in /wheels, and it installed.

    Installed is it as in any root where systemd does not run yet: its unit starts at the first
    boot. An emulated machine would take a quarter of an hour for that.
    """
    for program, package in (("qemu-system-x86_64", "qemu-system-x86"), ("mkfs.ext4", "e2fsprogs")):
        if shutil.which(program) is None:
            raise RuntimeError(f"{program} is missing: install {package} to run these tests")
    root = folder / "root"
    make_root("bookworm", root, _PACKAGES)
    fetch_wheels(root / "wheels", "3.11")
    copy_checkout(root / "src")
    installed = run_in_root(root, "sh", "/src/deploy/install.sh")
    assert installed.returncode == 0, installed.stdout + installed.stderr
    return root


def make_image(root: Path, folder: Path) -> Image:
    """Make an image of a root: its disk, and kernel and initrd taken out of it."""
    etc = root / "etc"
    (etc / "fstab").write_text("/dev/vda / ext4 defaults,noatime 0 1\n")
    (etc / "hostname").write_text("cabinet\n")
    (etc / "hosts").write_text(f"127.0.0.1 localhost cabinet\n{HOST} mail.under-stairs.example\n")
    (etc / "systemd" / "network" / "wired.network").write_text(_NETWORK)
    (root / "var" / "log" / "journal").mkdir(exist_ok=True)
    enable = ["systemctl", "--quiet", f"--root={root}", "enable", "systemd-networkd"]
    subprocess.run(enable, check=True)
    image = Image(folder / "vmlinuz", folder / "initrd", folder / "disk")
    shutil.copy(next((root / "boot").glob("vmlinuz-*")), image.kernel)
    shutil.copy(next((root / "boot").glob("initrd.img-*")), image.initrd)
    for each in ("boot", "var/cache/apt/archives", "var/lib/apt/lists"):
        shutil.rmtree(root / each)
        (root / each).mkdir()
    subprocess.run(["mkfs.ext4", "-q", "-d", str(root), str(image.disk), _DISK], check=True)
    return image


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

    def __init__(self, image: Image, folder: Path, seed: int = 0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._image = image
        self._folder = folder
        self.disk = folder / "disk"
        subprocess.run(
            ["cp", "--sparse=always", "--reflink=auto", str(image.disk), str(self.disk)], check=True
        )
        self._drive = VolatileDisk(self.disk, folder / "disk.sock", seed)
        self._process: subprocess.Popen[bytes] | None = None
        self._agent: _Agent | None = None

    @property
    def console(self) -> str:
        """What kernel and systemd have written to the console, over all boots."""
        path = self._folder / "console"
        return path.read_text(errors="replace") if path.exists() else ""

    def boot(self, clock: str = "") -> "Machine":
        """Switch it on, with its hardware clock at an instant of UTC if one is given."""
        assert self._process is None, "the machine is on already"
        address = self._folder / "agent.sock"
        address.unlink(missing_ok=True)
        with (self._folder / "qemu.log").open("ab") as log:
            self._process = subprocess.Popen(
                self._command(address, clock), stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._agent = _Agent(address, self._process)
        try:
            self._agent.wait_awake()
        except BaseException as error:
            self.cut()
            error.add_note(self.console[-3000:])
            raise
        return self

    def run(self, command: str, given: bytes = b"", *, check: bool = True) -> Ran:
        """Run a shell command as root to its end, and have it succeed unless told otherwise."""
        return self.wait(self.begin(command, given), command, check=check)

    def begin(self, command: str, given: bytes = b"") -> int:
        """Start a shell command as root; give its process."""
        assert self._agent is not None, "the machine is off"
        return self._agent.start(command, given)

    def wait(self, process: int, what: str, *, check: bool = True) -> Ran:
        """Wait for the end of a command that was begun."""
        assert self._agent is not None, "the machine is off"
        ran = self._agent.wait(process)
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
            self._process.kill()
            self._process.wait(WITHIN_S)
            self._off()
        return self._drive.cut()

    def power_off(self) -> None:
        """Shut it down in good order."""
        assert self._process is not None, "the machine is off"
        self.begin("systemctl poweroff")
        self._process.wait(WITHIN_S)
        self._off()

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

    def close(self) -> None:
        """Switch it off for good and delete its disk."""
        self.cut()
        self._drive.close()
        self.disk.unlink()

    def _off(self) -> None:
        self._process = None
        if self._agent is not None:
            self._agent.close()
            self._agent = None

    def _command(self, agent: Path, clock: str) -> list[str]:
        return [
            "qemu-system-x86_64", "-nodefaults", "-no-user-config", "-display", "none",
            "-no-reboot", *_processor(self._image.kernel), "-smp", "2", "-m", "1G",
            "-kernel", str(self._image.kernel), "-initrd", str(self._image.initrd),
            "-append", "root=/dev/vda rw console=ttyS0 panic=-1 mitigations=off quiet",
            "-drive", f"file=nbd:unix:{self._drive.address},format=raw,if=virtio,cache=writeback",
            "-chardev", f"file,id=console,path={self._folder / 'console'},append=on",
            "-serial", "chardev:console",
            "-device", "virtio-serial",
            "-chardev", f"socket,id=agent,path={agent},server=on,wait=off",
            "-device", "virtserialport,chardev=agent,name=org.qemu.guest_agent.0",
            "-nic", "user,model=virtio-net-pci",
            *(["-rtc", f"base={clock}"] if clock else []),
        ]  # fmt: skip


@functools.cache
def _processor(kernel: Path) -> list[str]:
    """Give the options for a processor: the real one where it runs a kernel, else an emulated one.

    That /dev/kvm can be opened is not enough: some hosts run prepared kernels alone. So a kernel is
    booted to its first complaint, that it has no disk, upon which it ends the machine.
    """
    real = ["-machine", "q35", "-accel", "kvm", "-cpu", "host,arch-capabilities=off"]
    if os.access("/dev/kvm", os.R_OK | os.W_OK):
        probe = ["qemu-system-x86_64", "-nodefaults", "-display", "none", "-no-reboot"]
        boot = ["-m", "256", "-kernel", str(kernel), "-append", "panic=-1"]
        try:
            if subprocess.run([*probe, *real, *boot], timeout=30, check=False).returncode == 0:
                return real
        except subprocess.TimeoutExpired:
            pass
    return ["-machine", "q35", "-accel", "tcg,thread=multi", "-cpu", "Nehalem"]


class _Agent:
    """Speaks the protocol of the QEMU guest agent: a JSON object a line, either way."""

    def __init__(self, address: Path, machine: subprocess.Popen[bytes]) -> None:
        self._machine = machine
        self._socket = socket.socket(socket.AF_UNIX)
        self._left = b""
        for _ in _turns(WITHIN_S):
            try:
                self._socket.connect(str(address))
            except OSError:
                self._see_alive()
            else:
                return

    def wait_awake(self) -> None:
        """Wait until the agent of a booted system answers."""
        for number in _turns(_BOOT_WITHIN_S):
            self._see_alive()
            # 0xFF makes it forget what it was told by halves.
            word = {"execute": "guest-sync-delimited", "arguments": {"id": number}}
            try:
                self._socket.settimeout(1.0)
                self._socket.sendall(b"\xff" + json.dumps(word).encode() + b"\n")
                while self._line(1.0).get("return") != number:
                    pass
            except TimeoutError:
                continue
            return

    def start(self, command: str, given: bytes) -> int:
        """Start a shell command; give its process."""
        arguments = {
            "path": "/bin/sh",
            "arg": ["-c", command],
            "env": ["PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root", "LC_ALL=C"],
            "capture-output": True,
            "input-data": base64.b64encode(given).decode(),
        }
        started: dict[str, int] = self._ask("guest-exec", arguments)
        return started["pid"]

    def wait(self, process: int) -> Ran:
        """Wait for the end of a command."""
        for _ in _turns(20 * WITHIN_S):
            status = self._ask("guest-exec-status", {"pid": process})
            if status["exited"]:
                break
        outputs = [base64.b64decode(status.get(name, "")) for name in ("out-data", "err-data")]
        return Ran(status.get("exitcode", -status.get("signal", 0)), *outputs)

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def _ask(self, command: str, arguments: dict[str, Any]) -> Any:
        word = {"execute": command, "arguments": arguments}
        self._socket.sendall(json.dumps(word).encode() + b"\n")
        answer = self._line(WITHIN_S)
        assert "return" in answer, answer
        return answer["return"]

    def _line(self, within_s: float) -> dict[str, Any]:
        self._socket.settimeout(within_s)
        while b"\n" not in self._left:
            more = self._socket.recv(1 << 16)
            if not more:
                raise ConnectionError("the machine is gone")
            self._left += more
        line, _, self._left = self._left.partition(b"\n")
        answer: dict[str, Any] = json.loads(line.lstrip(b"\xff"))
        return answer

    def _see_alive(self) -> None:
        if self._machine.poll() is not None:
            raise RuntimeError(f"the machine ended with status {self._machine.returncode}")


def _turns(within_s: float) -> Iterator[int]:
    """Give turns to look, numbered, until there has been time enough."""
    until = time.monotonic() + within_s
    number = 1
    while time.monotonic() < until:
        yield number
        number += 1
        time.sleep(0.05)
    raise TimeoutError("the machine does not answer")
