"""The pictures of page and summary, drawn from the tiers."""

import json
import os
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from operator import itemgetter
from pathlib import Path
from textwrap import shorten
from typing import Any, NamedTuple

import numpy as np

from cabinetwatch.charts.canvas import MOST_MARKS_NAMED, draw_png, draw_svg
from cabinetwatch.charts.picture import (
    AlarmMark,
    Curve,
    NoteMark,
    Picture,
    curve,
    device_picture,
    trend_picture,
)
from cabinetwatch.clock import from_rfc3339
from cabinetwatch.config.model import Config
from cabinetwatch.notify.words import predicate
from cabinetwatch.report.page import (
    CHARTS,
    MANIFEST,
    SPANS,
    Span,
    chart_name,
    drop_abandoned,
    read_manifest,
    write_atomically,
)
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.report.words import short_time, subjects_of
from cabinetwatch.store.codecs import DAY_MS, Bucket, Tier
from cabinetwatch.store.store import Store
from cabinetwatch.text import printable
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Transition
from cabinetwatch.watch.trials import TrialBook

_SEEN = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_ACTS = {"service-out": "taken out of service", "service-in": "back in service"}


class LogEntry(NamedTuple):
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


def operator_log(store: Store) -> list[LogEntry]:
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


def note_marks(found: Iterable[LogEntry], subjects: set[str], from_utc_ms: int) -> list[NoteMark]:
    """Give those deeds that touch some subjects, from an instant on."""
    return [
        NoteMark(deed.utc_ms, deed.text)
        for deed in found
        if deed.utc_ms >= from_utc_ms and (deed.subject is None or deed.subject in subjects)
    ]


def _mark(raised: Transition, to_utc_ms: int | None) -> AlarmMark:
    return AlarmMark(raised.utc_ms, to_utc_ms, raised.priority.value, predicate(raised))


def _deed(entry: Entry, offset_ms: int, book: TrialBook) -> LogEntry | None:
    if str(entry.data.get("command")).startswith("trial-"):
        return _phase(entry.data, entry.t + offset_ms, book)
    words = _words(entry.data)
    subject = entry.data.get("subject") or entry.data.get("device")
    return None if words is None else LogEntry(_when(entry, offset_ms), subject, printable(words))


def _phase(command: Mapping[str, Any], utc_ms: int, book: TrialBook) -> LogEntry | None:
    """Let the book tell of which device a phase is, and whether the watch refused it."""
    try:
        # Every device is known here: what the watch refused for another reason is refused too.
        book.take(command, {str(command.get("device")): None}, utc_ms)
    except ValueError:
        return None
    if command["command"] != "trial-phase":
        return None
    trial = book.trials[str(command["trial"])]
    return LogEntry(utc_ms, trial.device, f"trial {trial.name}: {command['phase']}")


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


def curve_of(buckets: Sequence[Bucket], from_utc_ms: int, step_ms: int) -> Curve:
    """Condense buckets to stretches of `step_ms`, each at its middle.

    Args:
        buckets: in order of time, none wider than `step_ms`.
        from_utc_ms: those that begin before it are left out.
        step_ms: a multiple of their width; stretches begin at its multiples in UTC.
    """
    wanted = buckets[bisect_left(buckets, from_utc_ms, key=itemgetter(0)) :]
    if not wanted:
        return curve([])
    # By columns: an array of tuples takes twice as long.
    utc_ms, samples, mean, low, high = (
        np.array(column, np.float64) for column in zip(*wanted, strict=True)
    )
    stretch = utc_ms // step_ms
    first = np.nonzero(np.diff(stretch, prepend=-1.0))[0]
    total = np.add.reduceat(samples, first)
    points = np.column_stack(
        [
            (stretch[first] + 0.5) * step_ms,
            np.add.reduceat(mean * samples, first) / total,
            np.minimum.reduceat(low, first),
            np.maximum.reduceat(high, first),
        ]
    )
    return curve(points, step_ms)


_FINE_TO_MS = 86_400_000
"""Pictures up to so long are drawn from minutes, longer ones from quarters of an hour."""


class _PageRecord:
    """What all pictures are made of; what several are made of is read once."""

    def __init__(self, store: Store, config: Config, now_utc_ms: int) -> None:
        longest_ms = max(span.length_ms for span in SPANS)
        self.config = config
        self.now_utc_ms = now_utc_ms
        self.transitions = store.transitions(now_utc_ms - 2 * longest_ms, now_utc_ms)
        self.deeds = operator_log(store)
        self._store = store
        self._read: dict[tuple[str, str, Tier], list[Bucket]] = {}

    def buckets(self, device_id: str, figure: str, span: Span) -> list[Bucket]:
        """Give a figure as fine as a picture of a span needs it, from its beginning or before."""
        tier = _tier(span)
        known = self._read.get((device_id, figure, tier))
        if known is None:
            longest_ms = max(each.length_ms for each in SPANS if _tier(each) is tier)
            known = self._store.buckets(
                device_id, figure, tier, self.now_utc_ms - longest_ms, self.now_utc_ms
            )
            self._read[device_id, figure, tier] = known
        return known


def draw_charts(store: Store, config: Config, folder: Path, now_utc_ms: int) -> None:
    """Draw what is missing or out of date, and drop the pictures of devices that are gone.

    Args:
        store: to read.
        config: in force: which devices there are, and the time zone.
        folder: of the page; the pictures go into a folder of their own in it.
        now_utc_ms: where the pictures end.

    Raises:
        StoreError: the store can't be read.
        OSError: the folder can't be written.
    """
    charts = folder / CHARTS
    if not charts.is_dir():
        charts.mkdir(mode=0o700)
        # Its readers are those of the folder around it, whatever the umask of a service says.
        charts.chmod(folder.stat().st_mode & 0o777)
    for part in (folder, charts):
        drop_abandoned(part)
    known = read_manifest(folder)
    record = _PageRecord(store, config, now_utc_ms)
    listed = {
        chart_name(device_id, span): _up_to_date(record, charts, known, device_id, span)
        for device_id in config.devices
        for span in SPANS
    }
    text = json.dumps(listed, ensure_ascii=False, indent=1)
    write_atomically(folder / MANIFEST, text.encode())
    for name in known.keys() - listed.keys():
        (charts / name).unlink(missing_ok=True)


def _tier(span: Span) -> Tier:
    return Tier.MINUTES if span.length_ms <= _FINE_TO_MS else Tier.QUARTERS


def _up_to_date(
    record: _PageRecord, charts: Path, known: dict[str, dict[str, Any]], device_id: str, span: Span
) -> dict[str, Any]:
    """Draw a picture unless it is fresh; give its entry in the list."""
    name = chart_name(device_id, span)
    entry = known.get(name)
    called = record.config.name_of(device_id)
    if entry is not None and entry["name"] == called and (charts / name).exists():
        age_ms = record.now_utc_ms - entry["drawn_utc_ms"]
        if 0 <= age_ms < span.redraw_s * 1000:
            return entry
    picture = _picture(record, device_id, span)
    write_atomically(charts / name, draw_svg(picture).encode())
    return {
        "device": device_id,
        "name": called,
        "span": span.key,
        "drawn_utc_ms": record.now_utc_ms,
        "title": picture.title,
        "description": picture.description,
        "marks": list(_marks(picture)),
    }


def _picture(record: _PageRecord, device_id: str, span: Span) -> Picture:
    device = record.config.devices[device_id]
    subjects = subjects_of(device_id, device)
    to_utc_ms = record.now_utc_ms
    from_utc_ms = to_utc_ms - span.length_ms

    def figure(name: str) -> Curve:
        return curve_of(record.buckets(device_id, name, span), from_utc_ms, span.step_ms)

    return device_picture(
        record.config.name_of(device_id),
        span.words,
        from_utc_ms=from_utc_ms,
        to_utc_ms=to_utc_ms,
        timezone=record.config.site.timezone,
        temperature=figure("temperature_c"),
        ambient=figure("ambient_c"),
        threshold=figure("threshold_c"),
        alarms=alarm_marks(record.transitions, subjects, from_utc_ms),
        notes=note_marks(record.deeds, subjects, from_utc_ms),
    )


def _marks(picture: Picture) -> Iterator[dict[str, str]]:
    """Say in words what is marked, under the same names."""
    for number, alarm in enumerate(picture.alarms, 1):
        start = short_time(alarm.from_utc_ms, picture.timezone)
        end = "still standing"
        if alarm.to_utc_ms is not None:
            end = f"until {short_time(alarm.to_utc_ms, picture.timezone)}"
        text = f"{alarm.priority}: {alarm.text}, from {start}, {end}"
        yield {"name": f"A{number}", "tone": alarm.priority, "text": text}
    for number, note in enumerate(picture.notes, 1):
        text = f"{short_time(note.utc_ms, picture.timezone)}: {note.text}"
        yield {"name": f"N{number}", "tone": "note", "text": text}


def be_last_in_line() -> None:
    """Give this process the lowest priority: pictures can wait, the watch can't."""
    os.nice(19)


QUARTER_DAYS = 91
_WEEK_STEP_MS = 1_800_000
_LONGEST_NOTE = 32
"""Notes stand in full under what people noted; below a picture they would fill the screen."""

_OF_WEEK = ("temperature_c", "ambient_c", "threshold_c")
_OF_QUARTER = ("rise_k", "normal_rise_k")
_SCALE = 1.75
"""Pixels to a point: 700 across, sharp on a phone."""


class Drawn(NamedTuple):
    """A picture as a file: the device, which of its pictures, the words for it, and the PNG.

    `key` says what is marked on it, under the same names.
    """

    device_id: str
    kind: str
    title: str
    alt: str
    key: str
    png: bytes

    @property
    def file_name(self) -> str:
        """Give a name for the file."""
        return f"{self.device_id}-{self.kind}.png"


class _WeekRecord(NamedTuple):
    """What all pictures of a summary are made of."""

    store: Store
    config: Config
    week: Week
    transitions: Sequence[Transition]
    deeds: Sequence[LogEntry]


def draw_week(store: Store, config: Config, week: Week) -> list[Drawn]:
    """Draw all pictures of a week.

    Args:
        store: to read the tiers from.
        config: says which sensors belong to a device.
        week: which, and of which devices.

    Raises:
        StoreError: the store can't be read.
    """
    from_utc_ms = week.to_utc_ms - QUARTER_DAYS * DAY_MS
    transitions = store.transitions(from_utc_ms, week.to_utc_ms)
    known = [deed for deed in operator_log(store) if deed.utc_ms < week.to_utc_ms]
    return list(_draw(_WeekRecord(store, config, week, transitions, known)))


def _draw(record: _WeekRecord) -> Iterator[Drawn]:
    for device in record.week.devices:
        pictures = {"week": _week(record, device.id), "quarter": _quarter(record, device.id)}
        for kind, picture in pictures.items():
            if any(line.curve.known for line in picture.lines):
                alt = f"{picture.title}. {picture.description}"
                png = draw_png(picture, _SCALE)
                yield Drawn(device.id, kind, picture.title, alt, _key(picture), png)


def _week(record: _WeekRecord, device_id: str) -> Picture:
    week = record.week
    span = week.from_utc_ms, week.to_utc_ms

    curves = _curves(record, device_id, span, _WEEK_STEP_MS, *_OF_WEEK)
    name, subjects = _called(record, device_id)
    return device_picture(
        name,
        f"week {IsoWeek.parse(week.week).number}",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=week.timezone,
        temperature=curves["temperature_c"],
        ambient=curves["ambient_c"],
        threshold=curves["threshold_c"],
        alarms=alarm_marks(record.transitions, subjects, span[0]),
        notes=note_marks(record.deeds, subjects, span[0]),
    )


def _quarter(record: _WeekRecord, device_id: str) -> Picture:
    week = record.week
    span = week.to_utc_ms - QUARTER_DAYS * DAY_MS, week.to_utc_ms

    curves = _curves(record, device_id, span, DAY_MS, *_OF_QUARTER)
    name, subjects = _called(record, device_id)
    return trend_picture(
        name,
        "13 weeks, day by day",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=week.timezone,
        rise=curves["rise_k"],
        normal=curves["normal_rise_k"],
        alarms=alarm_marks(record.transitions, subjects, span[0]),
        notes=note_marks(record.deeds, subjects, span[0]),
    )


def _called(record: _WeekRecord, device_id: str) -> tuple[str, set[str]]:
    """Give a device's name, and the subjects that belong to it; it may be gone by now."""
    device = record.config.devices.get(device_id)
    if device is None:
        name = next(each.name for each in record.week.devices if each.id == device_id)
        return name, {device_id}
    return record.config.name_of(device_id), subjects_of(device_id, device)


def _curves(
    record: _WeekRecord, device_id: str, span: tuple[int, int], step_ms: int, *figures: str
) -> dict[str, Curve]:
    """Give curves by figure; quarters of an hour are fine enough, and kept the longest."""
    columns = record.store.columns(device_id, figures, Tier.QUARTERS, *span)
    return {figure: curve_of(buckets, span[0], step_ms) for figure, buckets in columns.items()}


def _key(picture: Picture) -> str:
    """Say what is marked, as far as it is marked with a name."""
    alarms = (
        f"A{number} {alarm.text} ({alarm.priority}),"
        f" {short_time(alarm.from_utc_ms, picture.timezone)}"
        for number, alarm in enumerate(picture.alarms[:MOST_MARKS_NAMED], 1)
    )
    notes = (
        f"N{number} {shorten(note.text, _LONGEST_NOTE, placeholder='…').rstrip('.')},"
        f" {short_time(note.utc_ms, picture.timezone)}"
        for number, note in enumerate(picture.notes[:MOST_MARKS_NAMED], 1)
    )
    return "; ".join((*alarms, *notes))
