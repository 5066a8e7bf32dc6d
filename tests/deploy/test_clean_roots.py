"""install.sh and uninstall.sh in clean roots of Debian 12 and 13, made with debootstrap as root."""

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.debian import copy_checkout, fetch_wheels, make_root, run_in_root
from tests.support.ports import free_port


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder for a root, deleted at the end: it takes 700 MB."""
    made = Path(tempfile.mkdtemp(prefix="clean-root-"))
    yield made
    shutil.rmtree(made)


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
