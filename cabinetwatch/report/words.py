"""What page, summary and trial report share: templates, times and figures, the operator log."""

import base64
import hashlib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from cabinetwatch.config.equipment import Device
from cabinetwatch.store.store import Store
from cabinetwatch.text import from_rfc3339, local_time, printable
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Transition
from cabinetwatch.watch.trials import TrialBook

UNKNOWN = "—"
_MINUTE_MS = 60_000

STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
"""What people see stand; the rest is over, or was put out of sight."""

FOLDER = Path(__file__).parent / "templates"


def policy_hash(text: str) -> str:
    """Give what a policy calls a style or script by (CSP Level 3, section 2.3.1)."""
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def short_time(utc_ms: int, timezone: str, form: str = "%a %-d %b %H:%M") -> str:
    """Write an instant as the site's clocks show it, e.g. Wed 25 Nov 13:42."""
    return local_time(utc_ms, timezone, form)


def from_to(from_utc_ms: int, to_utc_ms: int, timezone: str) -> str:
    """Write an interval, the day only once: Wed 25 Nov 13:42 to 14:10."""
    is_one_day = len({short_time(at, timezone, "%F") for at in (from_utc_ms, to_utc_ms)}) == 1
    end = short_time(to_utc_ms, timezone, *(["%H:%M"] if is_one_day else []))
    return f"{short_time(from_utc_ms, timezone)} to {end}"


def about(span: tuple[int, int], timezone: str) -> str:
    """Say when a figure was measured of which only a stretch is known: it is no instant.

    >>> about((1795811400000, 1795811460000), "UTC"), about((1795811400000, 1795812300000), "UTC")
    ('about Fri 27 Nov 20:30', 'Fri 27 Nov, between 20:30 and 20:45')
    """
    from_utc_ms, to_utc_ms = span
    if to_utc_ms - from_utc_ms <= _MINUTE_MS:
        return f"about {short_time(from_utc_ms, timezone)}"
    day, start = (short_time(from_utc_ms, timezone, form) for form in ("%a %-d %b", "%H:%M"))
    return f"{day}, between {start} and {short_time(to_utc_ms, timezone, '%H:%M')}"


def first_sign(transition: Transition) -> int:
    """Give the instant (UTC in ms) at which what a transition tells began: before its delays."""
    since = transition.values.get("since")
    return transition.utc_ms if since is None else min(transition.utc_ms, from_rfc3339(since))


def number(value: float | None, decimals: int = 1) -> str:
    """Write a figure without its unit; a dash for what is unknown."""
    return UNKNOWN if value is None else f"{value:z.{decimals}f}"


def times(count: int) -> str:
    """Say how often.

    >>> times(0), times(1), times(2), times(3)
    ('never', 'once', 'twice', '3 times')
    """
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def subjects_of(device_id: str, device: Device | None) -> set[str]:
    """Give a device and the sensors that belong to it; one that is gone has none."""
    if device is None:
        return {device_id}
    sensors = {device.temperature, device.ambient, device.fan, device.sound, *device.power}
    return {device_id} | {sensor for sensor in sensors if sensor is not None}


class LogEntry(NamedTuple):
    """Something that somebody did to a subject, or to the whole cabinet (None)."""

    utc_ms: int
    subject: str | None
    text: str


def operator_log(store: Store) -> list[LogEntry]:
    """Give what the journal knows of people's hands on the cabinet, oldest first.

    Raises:
        StoreError: the store can't be read.
    """
    offset_ms = 0
    book = TrialBook()
    log = []
    for _, entry in store.entries(EntryKind.START, EntryKind.OFFSET, EntryKind.COMMAND):
        if entry.kind is not EntryKind.COMMAND:
            offset_ms = entry.data["offset_ms"]
        elif str(entry.data.get("command")).startswith("trial-"):
            log += _phase(entry.data, entry.t + offset_ms, book)
        else:
            log += _done(entry, offset_ms)
    # A note may tell of what was done long before.
    return sorted(log, key=lambda each: each.utc_ms)


def _phase(command: Mapping[str, Any], utc_ms: int, book: TrialBook) -> list[LogEntry]:
    """Let the book tell of which device a phase is, and whether the watch refused it."""
    try:
        # Every device is known here: what the watch refused for another reason is refused too.
        book.take(command, {str(command.get("device")): None}, utc_ms)
    except ValueError:
        return []
    if command["command"] != "trial-phase":
        return []
    trial = book.trials[str(command["trial"])]
    return [LogEntry(utc_ms, trial.device, f"trial {trial.name}: {command['phase']}")]


def _done(entry: Entry, offset_ms: int) -> list[LogEntry]:
    command, utc_ms = entry.data, entry.t + offset_ms
    acts = {"service-out": "taken out of service", "service-in": "back in service"}
    if command.get("command") == "note":
        words = str(command.get("text", ""))
    elif (act := acts.get(str(command.get("command")))) is not None:
        reason = command.get("reason")
        words = f"{command.get('subject')} {act}" + (f": {reason}" if reason else "")
    else:
        return []
    with suppress(ValueError):
        # A note may say itself when it was.
        utc_ms = min(utc_ms, from_rfc3339(str(command.get("at"))))
    subject = command.get("subject") or command.get("device")
    return [LogEntry(utc_ms, subject, printable(words))]
