"""Putting the setpoints of a trial to work: the file, its backup, the running watch."""

import difflib
import os
import shutil
import signal
import tempfile
import time
from pathlib import Path

from cabinetwatch import config as reading
from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.config.rewriting import with_settings
from cabinetwatch.errors import UsageError
from cabinetwatch.store.place import as_root_again
from cabinetwatch.store.running import signal_watch
from cabinetwatch.store.store import Store
from cabinetwatch.times import to_datetime
from cabinetwatch.trial.figures import TrialFigures
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.entry import EntryKind

_READ_WITHIN_S = 20.0
_LOOK_EVERY_S = 0.1


def apply_setpoints(path: Path, store: Store, figures: TrialFigures) -> int:
    """Write the setpoints of a trial into the configuration and have the watch read them.

    Returns:
        0; 1 when the trial gives nothing to apply, or the watch did not read it.

    Raises:
        ConfigError: the file would not be accepted.
        UsageError: it can't be written.
    """
    undecided = figures.verdict == "undecided" and figures.hot_day_margin is not None
    if undecided or not figures.setpoints.values:
        say(f"Nothing is applied: the verdict is {figures.verdict}.")
        for reason in figures.reasons:
            say(f"  - {reason}")
        return 1
    # Not as text: that would lose what the lines end with.
    with as_root_again():
        old = path.read_bytes().decode()
    new = with_settings(old, figures.device, figures.setpoints.values)
    # What `check` would say of it is said before anything is written.
    wanted = reading.parse(new, path, SPECS)
    if new == old:
        say(f"{path} says so already.")
        return 0
    _show_difference(path, old, new)
    with as_root_again():
        backup = _replace(path, new)
    say(f"{path} is written; as it was before it is kept in {backup}.")
    return _have_read(store, wanted, figures.device)


def _show_difference(path: Path, old: str, new: str) -> None:
    lines = difflib.unified_diff(
        old.splitlines(), new.splitlines(), f"{path} (before)", f"{path} (after)", lineterm="", n=2
    )
    for line in lines:
        say(line)


def _replace(path: Path, text: str) -> Path:
    """Put a new text in the place of a file at one stroke; the old one stays beside it."""
    target = path.resolve()
    stamp = to_datetime(SystemClock().utc_ms()).strftime("%Y%m%dT%H%M%SZ")
    backup = target.with_name(f"{target.name}.before-{stamp}")
    try:
        status = target.stat()
        shutil.copy2(target, backup)
        descriptor, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(status.st_mode & 0o7777)
            if os.geteuid() == 0:
                os.chown(name, status.st_uid, status.st_gid)
            Path(name).replace(target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(
            f"{target} can't be rewritten: {error.strerror}; put the setpoints into it by hand"
        ) from error
    return backup


def _have_read(store: Store, wanted: Config, device: str) -> int:
    """Have the running watch read its file again, and wait until it has."""
    try:
        if signal_watch(store, signal.SIGHUP) is None:
            say("The watch is not running; it reads this when it starts.")
            return 0
    except OSError as error:
        say(f"The watch can't be told ({error.strerror}); send it SIGHUP.")
        return 1
    goal = wanted.as_json()["devices"][device]
    until = time.monotonic() + _READ_WITHIN_S
    while time.monotonic() < until:
        entries = store.entries(EntryKind.CONFIG)
        if entries and entries[-1][1].data["config"]["devices"].get(device) == goal:
            say("The watch has read it.")
            return 0
        time.sleep(_LOOK_EVERY_S)
    say("The watch has not read it; its log says why. Does it run with this very file?")
    return 1
