"""What the scripts do as root in the state directory, where the watch's user may put anything.

As root these tests give the directory to the user `nobody` and run the real runuser; without root
the user is our own, and a stand-in for runuser runs the command as it is.
"""

import getpass
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
AS_ROOT = os.geteuid() == 0
USER = "nobody" if AS_ROOT else getpass.getuser()
BACKUP_COMMAND = """#!/bin/sh
# In place of the watch's own command: backup --config FILE TARGET
[ "$1" = backup ] && set -C && : >"$4"
"""


class Machine:
    """A root in a folder: what belongs to root in it, and the state directory of the watch."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.state = folder / "state"
        self.backups = self.state / "backups"
        self.outside = folder / "outside"
        self.precious = self.outside / "precious"
        self.state.mkdir(mode=0o750)
        self.outside.mkdir(mode=0o711)
        self.precious.write_text("keep me")
        self.precious.chmod(0o600)
        command = folder / "code" / "env" / "bin" / "cabinetwatch"
        command.parent.mkdir(parents=True)
        command.write_text(BACKUP_COMMAND)
        command.chmod(0o755)

    def own_state(self) -> None:
        """Give the state directory with all in it to the watch's user."""
        if not AS_ROOT:
            return
        user = pwd.getpwnam(USER)
        for path in (self.state, *self.state.rglob("*")):
            os.chown(path, user.pw_uid, user.pw_gid, follow_symlinks=False)

    def seen_outside(self) -> list[tuple[str, int, int, int, str]]:
        """Give what must not change."""
        paths = (self.outside, self.precious)
        return [
            (path.name, (status := path.stat()).st_uid, status.st_gid, status.st_mode, text)
            for path in paths
            for text in [path.read_text() if path.is_file() else str(sorted(path.iterdir()))]
        ]

    def run(self, *steps: str) -> subprocess.CompletedProcess[str]:
        """Run functions of install.sh here; its text before its first step only defines them."""
        text = (DEPLOY / "install.sh").read_text()
        defined, first, _ = text.partition("\nmake_user\n")
        assert first, "install.sh no longer begins with make_user"
        copy = self.folder / "checkout" / "deploy"
        shutil.copytree(DEPLOY, copy, dirs_exist_ok=True)
        places = {
            "USER_NAME": USER,
            "HOME_OF_CODE": self.folder / "code",
            "ENVIRONMENT": self.folder / "code" / "env",
            "ETC": self.folder / "etc",
            "CONFIG": self.folder / "etc" / "config.toml",
            "STATE": self.state,
            "BACKUPS": self.backups,
            "CREDENTIALS": self.folder / "credentials",
        }
        system = copy / "system.sh"
        lines = "".join(f"{name}='{place}'\n" for name, place in places.items())
        system.write_text(system.read_text() + lines)
        group = "nogroup" if AS_ROOT else str(os.getegid())
        script = defined.replace('-g "$USER_NAME"', f"-g {group}")
        script = script.replace("-o root", f"-o {os.geteuid()}")
        (copy / "install.sh").write_text(script + "\n" + "\n".join(steps) + "\n")
        return subprocess.run(
            ["sh", str(copy / "install.sh")],
            env={**os.environ, "PATH": f"{self._stand_ins()}:{os.environ['PATH']}"},
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    def _stand_ins(self) -> Path:
        folder = self.folder / "programs"
        folder.mkdir(exist_ok=True)
        # None of these steps runs it.
        (folder / "python3").write_text("#!/bin/sh\n")
        (folder / "python3").chmod(0o755)
        if not AS_ROOT:
            for name, text in (("runuser", 'shift 3\nexec "$@"'), ("id", "echo 0")):
                (folder / name).write_text(f"#!/bin/sh\n{text}\n")
                (folder / name).chmod(0o755)
        return folder


@pytest.fixture
def machine() -> Iterator[Machine]:
    # Not in pytest's own folder, which is closed to the other user.
    folder = Path(tempfile.mkdtemp(prefix="state-"))
    folder.chmod(0o755)
    yield Machine(folder)
    shutil.rmtree(folder)


def test_the_folder_of_backups_is_made_for_the_watch(machine: Machine) -> None:
    machine.own_state()
    made = machine.run("make_folders")
    assert made.returncode == 0, made.stderr
    status = machine.backups.stat()
    assert (status.st_uid, status.st_mode & 0o777) == (pwd.getpwnam(USER).pw_uid, 0o750)


def test_a_link_in_place_of_the_backups_gives_nothing_outside_another_owner(
    machine: Machine,
) -> None:
    machine.backups.symlink_to(machine.outside)
    machine.own_state()
    before = machine.seen_outside()
    machine.run("make_folders")
    assert machine.seen_outside() == before


@pytest.mark.parametrize("kind", ["file", "fifo", "dangling"])
def test_what_is_no_folder_of_backups_is_a_sentence(kind: str, machine: Machine) -> None:
    if kind == "fifo":
        os.mkfifo(machine.backups)
    elif kind == "file":
        machine.backups.touch()
    else:
        machine.backups.symlink_to(machine.outside / "new")
    machine.own_state()
    before = machine.seen_outside()
    refused = machine.run("make_folders")
    assert refused.returncode == 1
    assert "backups can't be made" in refused.stderr
    assert machine.seen_outside() == before


def test_old_backups_go_by_whatever_name_and_nothing_else_goes(machine: Machine) -> None:
    machine.backups.mkdir(mode=0o750)
    for day in range(1, 6):
        (machine.backups / f"before-upgrade-2026110{day}T000000Z.db").touch()
    (machine.backups / "before-upgrade-0\n.db").touch()
    (machine.backups / "before-upgrade-0 \n\n.db").touch()
    (machine.backups / "before-upgrade-0-link.db").symlink_to(machine.precious)
    os.mkfifo(machine.backups / "before-upgrade-0-fifo.db")
    # In a list of one path a line, the path of the precious file is a line of its own.
    deep = machine.backups / "x\n" / f"{str(machine.precious)[1:]}\n" / "before-upgrade-1.db"
    deep.parent.mkdir(parents=True)
    deep.touch()
    machine.own_state()
    os.link(machine.precious, machine.backups / "before-upgrade-0-hard.db")
    before = machine.seen_outside()

    ran = machine.run("back_up")

    assert ran.returncode == 0, ran.stderr
    assert machine.seen_outside() == before
    assert deep.exists()
    files = sorted(path.name for path in machine.backups.iterdir() if path.is_file())
    assert [name[:23] for name in files if not (machine.backups / name).is_symlink()] == [
        "before-upgrade-20261104",
        "before-upgrade-20261105",
        "before-upgrade-" + files[-1][15:23],
    ]


def test_a_backup_through_a_link_is_made_by_the_user_of_the_watch(machine: Machine) -> None:
    """As root: where that user may not write, nothing is written."""
    machine.backups.symlink_to(machine.outside)
    machine.own_state()
    before = machine.seen_outside()
    ran = machine.run("back_up")
    if AS_ROOT:
        assert ran.returncode == 1
        assert "could not be backed up" in ran.stderr
        assert machine.seen_outside() == before


def test_no_step_of_root_s_names_the_state_directory_but_to_make_it() -> None:
    """What is done in there is done by `as_watch`."""
    for script in ("install.sh", "uninstall.sh"):
        text = (DEPLOY / script).read_text().replace("\\\n", " ")
        for line in text.splitlines():
            touches = any(f"${name}" in line for name in ("STATE", "BACKUPS", "database"))
            harmless = ("as_watch", "say ", "fail ", "backup=", "useradd", "--home-dir")
            if touches and not any(word in line for word in harmless):
                assert line.strip() in {
                    'install -d -m 0750 -o "$USER_NAME" -g "$USER_NAME" "$STATE"',
                    '\' sh "$BACKUPS"',
                    'migrate "$database"',
                }, f"{script}: {line}"
