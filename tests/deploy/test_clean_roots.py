"""install.sh and uninstall.sh in clean roots of Debian 12 and 13, made with debootstrap as root.

Debian's packages come from $CABINETWATCH_TEST_MIRROR, else from where this machine has its own.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.ports import free_port

ROOT = Path(__file__).parents[2]
MIRROR_VARIABLE = "CABINETWATCH_TEST_MIRROR"
# Mounted in a name space of its own, so that nothing stays mounted whatever happens.
INSIDE = """
mount --bind /proc "$1/proc" && mount --bind /dev "$1/dev" && exec chroot "$1" /usr/bin/env -i \
    PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C \
    PIP_NO_INDEX=1 PIP_FIND_LINKS=/wheels sh /src/tests/deploy/clean_root.sh "$2"
"""


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder for a root, deleted at the end: it takes 700 MB."""
    made = Path(tempfile.mkdtemp(prefix="clean-root-"))
    yield made
    shutil.rmtree(made)


def mirror() -> str:
    """Give where Debian's packages come from."""
    named = os.environ.get(MIRROR_VARIABLE)
    if named:
        return named
    form = "$(LABEL) $(REPO_URI)"
    listed = subprocess.run(
        ["apt-get", "indextargets", "--format", form, "Created-By: Packages"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    places = (line.removeprefix("Debian ") for line in listed.stdout.splitlines())
    found = next((place for place in places if "://" in place and " " not in place), None)
    assert found, f"apt knows no mirror of Debian: run apt-get update, or set {MIRROR_VARIABLE}"
    return found


def fetch_wheels(folder: Path, python: str) -> None:
    """Fetch the pinned packages for a Python, so that the root itself needs no index."""
    command = [sys.executable, "-P", "-m", "pip", "download", "--quiet", "--only-binary=:all:"]
    options = ["--python-version", python, "--dest", str(folder)]
    pins = str(ROOT / "deploy" / "requirements.txt")
    subprocess.run([*command, *options, "--requirement", pins], check=True)


def copy_checkout(folder: Path) -> None:
    """Copy what belongs to the project, as a fresh clone has it."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    for name in filter(None, listed.stdout.split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)


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
    assert os.geteuid() == 0, "debootstrap and chroot need root: run the long tests as root"
    assert shutil.which("debootstrap"), "debootstrap is missing: install it to run these tests"
    root = folder / "root"
    with (folder / "debootstrap.log").open("wb") as log:
        subprocess.run(
            ["debootstrap", "--variant=minbase", release, str(root), mirror()],
            stdout=log, stderr=log, check=True,
        )  # fmt: skip
    shutil.copy("/etc/resolv.conf", root / "etc" / "resolv.conf")
    fetch_wheels(root / "wheels", python)
    copy_checkout(root / "src")
    ran = subprocess.run(
        ["unshare", "--mount", "sh", "-c", INSIDE, "sh", str(root), str(free_port())],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout[-3000:] + ran.stderr[-3000:]
    assert ran.stdout.endswith("ALL AS IT SHOULD BE\n")
