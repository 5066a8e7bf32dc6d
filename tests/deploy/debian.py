"""Small roots of Debian for the long tests of deploy/, and what they get along to install from."""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
MIRROR_VARIABLE = "CABINETWATCH_TEST_MIRROR"

# Mounted in a name space of its own, so that nothing stays mounted whatever happens.
_INSIDE = """
root=$1
shift
mount --bind /proc "$root/proc" && mount --bind /dev "$root/dev" && exec chroot "$root" \
    /usr/bin/env -i PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C \
    PIP_NO_INDEX=1 PIP_FIND_LINKS=/wheels "$@"
"""


def make_root(release: str, folder: Path, include: Sequence[str] = ()) -> None:
    """Make a minimal root of a release in a folder, with more packages if need be.

    Raises:
        RuntimeError: it can't be made; says why.
    """
    if os.geteuid() != 0:
        raise RuntimeError("debootstrap needs root: run the long tests as root")
    if shutil.which("debootstrap") is None:
        raise RuntimeError("debootstrap is missing: install it to run these tests")
    more = [f"--include={','.join(include)}"] if include else []
    made = subprocess.run(
        ["debootstrap", "--variant=minbase", *more, release, str(folder), mirror()],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        raise RuntimeError(f"debootstrap could not make {release}: {made.stdout[-2000:]}")
    # Debian's installer writes it, not debootstrap; without it nobody finds localhost.
    (folder / "etc" / "hosts").write_text("127.0.0.1\tlocalhost\n", encoding="utf-8")


def run_in_root(root: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a root, in which pip finds the wheels of /wheels alone."""
    with begin_in_root(root, *command) as begun:
        output, _ = begun.communicate()
    return subprocess.CompletedProcess(command, begun.returncode, output, "")


def begin_in_root(root: Path, *command: str) -> subprocess.Popen[str]:
    """Begin a command in a root; its output holds its errors, too."""
    return subprocess.Popen(
        ["unshare", "--mount", "sh", "-c", _INSIDE, "sh", str(root), *command],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def mirror() -> str:
    """Give where Debian's packages come from: $CABINETWATCH_TEST_MIRROR, else apt's own place."""
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
    if found is None:
        raise RuntimeError(
            f"apt knows no mirror of Debian: run apt-get update, or set {MIRROR_VARIABLE}"
        )
    return found


def fetch_wheels(folder: Path, python: str) -> None:
    """Fetch the pinned packages for a Python, so that the root itself needs no index."""
    command = [sys.executable, "-P", "-m", "pip", "download", "--quiet", "--only-binary=:all:"]
    options = ["--python-version", python, "--dest", str(folder)]
    pins = str(ROOT / "deploy" / "requirements-reports.txt")
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
