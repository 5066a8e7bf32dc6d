"""What is marked on the pictures of a device: its alarms, and what people did."""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from cabinetwatch.charts.picture import AlarmMark, NoteMark
from cabinetwatch.notify.phrases import predicate
from cabinetwatch.store.store import Store
from cabinetwatch.text import printable
from cabinetwatch.times import from_rfc3339
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.transition import AlarmState, Transition
from cabinetwatch.watch.trials import TrialBook

_SEEN = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_ACTS = {"service-out": "taken out of service", "service-in": "back in service"}


class Deed(NamedTuple):
    """Something that somebody did to a subject, or to the whole cabinet (None)."""

    utc_ms: int
    subject: str | None
    text: str


def alarm_marks(
    transitions: Iterable[Transition], subjects: set[str], from_utc_ms: int
) -> list[AlarmMark]:
    """Give the alarms of some subjects that were seen to stand after an instant, oldest first.

    Args:
        transitions: in order of time, from before the instant for what stood then already.
        subjects: a device and its sensors.
        from_utc_ms: alarms that were over before it are left out.
    """
    open_since: dict[str, Transition] = {}
    marks: list[AlarmMark] = []
    for each in transitions:
        if each.subject not in subjects:
            continue
        if each.state in _SEEN:
            open_since.setdefault(each.id, each)
        elif each.id in open_since:
            raised = open_since.pop(each.id)
            if each.utc_ms >= from_utc_ms:
                marks.append(_mark(raised, each.utc_ms))
    marks += [_mark(raised, None) for raised in open_since.values()]
    return sorted(marks, key=lambda mark: mark.from_utc_ms)


def deeds(store: Store) -> list[Deed]:
    """Give what the journal knows of people's hands on the cabinet, oldest first.

    Raises:
        StoreError: the store can't be read.
    """
    offset_ms = 0
    book = TrialBook()
    found = []
    for _, entry in store.entries(EntryKind.START, EntryKind.OFFSET, EntryKind.COMMAND):
        if entry.kind is EntryKind.COMMAND:
            deed = _deed(entry, offset_ms, book)
            if deed is not None:
                found.append(deed)
        else:
            offset_ms = entry.data["offset_ms"]
    # A note may tell of what was done long before.
    return sorted(found, key=lambda deed: deed.utc_ms)


def note_marks(found: Iterable[Deed], subjects: set[str], from_utc_ms: int) -> list[NoteMark]:
    """Give those deeds that touch some subjects, from an instant on."""
    return [
        NoteMark(deed.utc_ms, deed.text)
        for deed in found
        if deed.utc_ms >= from_utc_ms and (deed.subject is None or deed.subject in subjects)
    ]


def _mark(raised: Transition, to_utc_ms: int | None) -> AlarmMark:
    return AlarmMark(raised.utc_ms, to_utc_ms, raised.priority.value, predicate(raised))


def _deed(entry: Entry, offset_ms: int, book: TrialBook) -> Deed | None:
    if str(entry.data.get("command")).startswith("trial-"):
        return _phase(entry.data, entry.t + offset_ms, book)
    words = _words(entry.data)
    subject = entry.data.get("subject") or entry.data.get("device")
    return None if words is None else Deed(_when(entry, offset_ms), subject, printable(words))


def _phase(command: Mapping[str, Any], utc_ms: int, book: TrialBook) -> Deed | None:
    """Let the book tell of which device a phase is, and whether the watch refused it."""
    try:
        # Every device is known here: what the watch refused for another reason is refused too.
        book.take(command, {str(command.get("device")): None}, utc_ms)
    except ValueError:
        return None
    if command["command"] != "trial-phase":
        return None
    trial = book.trials[str(command["trial"])]
    return Deed(utc_ms, trial.device, f"trial {trial.name}: {command['phase']}")


def _when(entry: Entry, offset_ms: int) -> int:
    """Give when a deed was done: a note may say so itself."""
    told_utc_ms = entry.t + offset_ms
    try:
        return min(told_utc_ms, from_rfc3339(str(entry.data.get("at"))))
    except ValueError:
        return told_utc_ms


def _words(command: Mapping[str, Any]) -> str | None:
    name = command.get("command")
    if name == "note":
        return str(command.get("text", ""))
    act = _ACTS.get(str(name))
    if act is None:
        return None
    reason = command.get("reason")
    return f"{command.get('subject')} {act}" + (f": {reason}" if reason else "")
