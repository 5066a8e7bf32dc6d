"""install.sh and uninstall.sh in clean roots of Debian 12 and 13, made with debootstrap as root.

Debian's packages come from $CABINETWATCH_TEST_MIRROR, else from where this machine has its own.
"""

import fcntl
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.debian import (
    MIRROR_VARIABLE,
    ROOT,
    begin_in_root,
    copy_checkout,
    fetch_wheels,
    make_root,
    mirror,
    run_in_root,
)
from tests.support.ports import free_port


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder for a root, deleted at the end: it takes 700 MB."""
    made = Path(tempfile.mkdtemp(prefix="clean-root-"))
    yield made
    shutil.rmtree(made)


def test_packages_come_from_where_this_machine_has_its_own(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    apt = tmp_path / "apt-get"
    lines = "Debian-Security http://near.example/security/\\nDebian http://near.example/debian/"
    apt.write_text(f"#!/bin/sh\nprintf '{lines}\\n'\n")
    apt.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    monkeypatch.delenv(MIRROR_VARIABLE, raising=False)
    assert mirror() == "http://near.example/debian/"
    monkeypatch.setenv(MIRROR_VARIABLE, "http://other.example/debian")
    assert mirror() == "http://other.example/debian"


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("release", "python"), [("bookworm", "3.11"), ("trixie", "3.13")])
def test_a_clean_debian_is_installed_upgraded_and_left_as_promised(
    release: str, python: str, folder: Path
) -> None:
    root = folder / "root"
    make_root(release, root)
    shutil.copy("/etc/resolv.conf", root / "etc" / "resolv.conf")
    fetch_wheels(root / "wheels", python)
    copy_checkout(root / "src")
    ran = run_in_root(root, "sh", "/src/tests/deploy/clean_root.sh", str(free_port()))
    assert ran.returncode == 0, ran.stdout[-3000:] + ran.stderr[-3000:]
    assert ran.stdout.endswith("ALL AS IT SHOULD BE\n")


GOING_DOWN = 0x8004587D
"""EXT4_IOC_SHUTDOWN of the kernel's fs/ext4/ext4.h: from now on nothing more reaches the disk."""
WITHOUT_LOG = 2


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seconds", [0.0, 7.0, 12.0])
def test_a_power_cut_after_the_switch_leaves_a_whole_installation(
    seconds: float, folder: Path, bare_root: Path
) -> None:
    disk = folder / "disk"
    subprocess.run(["mkfs.ext4", "-q", "-d", str(bare_root), str(disk), "2G"], check=True)
    told = subprocess.run(
        ["unshare", "--mount", sys.executable, "-P", __file__, str(disk), str(seconds)],
        capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert told.returncode == 0, told.stdout[-3000:] + told.stderr[-3000:]


@pytest.fixture(scope="module")
def bare_root() -> Iterator[Path]:
    """A root of Debian 12 with what install.sh takes, which has not run yet."""
    folder = Path(tempfile.mkdtemp(prefix="clean-root-"))
    root = folder / "root"
    make_root("bookworm", root, ["python3", "python3-venv"])
    fetch_wheels(root / "wheels", "3.11")
    copy_checkout(root / "src")
    yield root
    shutil.rmtree(folder)


def install_and_cut(disk: Path, seconds: float) -> None:
    """Install on a disk, let it lose its power so long after the switch, and look what is there.

    In a name space of its own: what is mounted here goes with this process.
    """
    root = disk.with_name("mounted")
    root.mkdir()
    subprocess.run(["mount", "-o", "loop,noatime", str(disk), str(root)], check=True)
    link = root / "opt" / "cabinetwatch" / "env"
    with begin_in_root(root, "sh", "/src/deploy/install.sh") as installing:
        while not link.is_symlink() and installing.poll() is None:
            time.sleep(0.02)
        assert link.is_symlink(), installing.communicate()[0]
        time.sleep(seconds)
        folder = os.open(root, os.O_RDONLY)
        fcntl.ioctl(folder, GOING_DOWN, struct.pack("I", WITHOUT_LOG))
        os.close(folder)
    subprocess.run(["umount", "--recursive", str(root)], check=True)
    subprocess.run(["mount", "-o", "loop", str(disk), str(root)], check=True)
    if not link.is_symlink():
        # The switch itself is not on the disk yet: nothing points to what is there by halves.
        assert seconds < 5.0, "the switch was not written within the time of ext4's journal"
        return
    checkout = Path(__file__).parents[2]
    site = root / f"{link.readlink()}".lstrip("/") / "lib/python3.11/site-packages"
    for name in (checkout / "cabinetwatch").rglob("*.py"):
        there = site / name.relative_to(checkout)
        assert there.read_bytes() == name.read_bytes(), f"{there} is not whole"
    for unit in (checkout / "deploy").glob("*.service"):
        there = root / "etc" / "systemd" / "system" / unit.name
        if there.exists():
            assert there.read_bytes() == unit.read_bytes(), f"{there} is not whole"
    ran = run_in_root(root, "/opt/cabinetwatch/env/bin/cabinetwatch", "--version")
    assert ran.returncode == 0, ran.stdout + ran.stderr


if __name__ == "__main__":
    install_and_cut(Path(sys.argv[1]), float(sys.argv[2]))
