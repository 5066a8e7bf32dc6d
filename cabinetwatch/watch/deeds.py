"""What people say they did: trials with their phases, and notes."""

from collections.abc import Iterable, Mapping
from typing import Any

from cabinetwatch.text import printable
from cabinetwatch.times import from_rfc3339
from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.commands import Answer
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.trials import CHANGED, WITHHELD, TrialBook

DEEDS = frozenset({"trial-begin", "trial-phase", "trial-end", "note"})
"""The commands that are told here."""

LONGEST_NOTE = 500


def carry_out_deed(
    command: Mapping[str, Any],
    book: TrialBook,
    alarms: Iterable[Alarm],
    devices: Mapping[str, DeviceView],
    now: tuple[int, int],
) -> Answer:
    """Carry out one command.

    Args:
        command: one of `DEEDS`. What can't be done is answered, never raised.
        book: the trials so far; changed.
        alarms: all of the site.
        devices: all of the site.
        now: watch ms, and what makes UTC of it.
    """
    t, offset_ms = now
    if command.get("command") == "note":
        return _note(command, alarms, devices, t, offset_ms)
    try:
        told = book.take(command, devices, t + offset_ms)
    except ValueError as error:
        return Answer(False, f"{error}.")
    every = list(alarms)
    withhold(book, every, devices)
    return Answer(True, told, [alarm for alarm in every if alarm.condition.kind == "device"])


def withhold(book: TrialBook, alarms: Iterable[Alarm], devices: Mapping[str, DeviceView]) -> None:
    """Tell each device of its trial, and each alarm whether that suppresses it by design."""
    for device in devices.values():
        trial = book.open_of(device.id)
        device.trial = trial if trial is not None and trial.phase in CHANGED else None
    for alarm in alarms:
        view = devices.get(alarm.subject)
        trial = None if view is None else view.trial
        hidden = trial is not None and alarm.condition.name in WITHHELD
        alarm.withheld_by = trial.name if trial is not None and hidden else ""


def _note(
    command: Mapping[str, Any],
    alarms: Iterable[Alarm],
    devices: Mapping[str, DeviceView],
    t: int,
    offset_ms: int,
) -> Answer:
    """Take a note: the trend of the device, or of all, starts anew from it."""
    name, at = command.get("device"), command.get("at")
    if name is not None and name not in devices:
        return Answer(False, f"There is no device {name!r}.")
    try:
        since_t = t if at is None else from_rfc3339(str(at)) - offset_ms
    except ValueError as error:
        return Answer(False, f"{error}.")
    if since_t > t:
        return Answer(False, f"{at} is still to come; a note tells what was done.")
    concerned = [device for device in devices.values() if name in {None, device.id}]
    for device in concerned:
        device.watch_drift_from(since_t)
    names = {device.id for device in concerned}
    text = printable(str(command.get("text", "")))[:LONGEST_NOTE]
    whose = "the cabinet" if name is None else str(name)
    return Answer(
        True,
        f"Noted of {whose}: {text}. Its drift is watched anew from there.",
        [alarm for alarm in alarms if alarm.subject in names and alarm.condition.name == "drift"],
    )
