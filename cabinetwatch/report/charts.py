"""The pictures of page and summary, drawn from the tiers and the journal.

Importing this takes a hundred megabytes for numpy and matplotlib: only children and commands that
draw do so, never what runs for long.
"""

import json
import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from pathlib import Path
from textwrap import shorten
from typing import NamedTuple

import numpy as np

from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import predicate
from cabinetwatch.report.canvas import MOST_MARKS_NAMED, draw_png, draw_svg
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
from cabinetwatch.report.picture import (
    AlarmMark,
    Curve,
    Picture,
    Timeline,
    curve,
    device_picture,
    trend_picture,
)
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.report.summary_words import devices_in_full, events_of, has_moved
from cabinetwatch.report.words import (
    STANDS,
    entries_about,
    first_sign,
    from_to,
    operator_log,
    short_time,
    subjects_of,
)
from cabinetwatch.store.codecs import DAY_MS, Bucket, Tier
from cabinetwatch.store.store import Store
from cabinetwatch.text import TemperatureUnit
from cabinetwatch.watch.events import AlarmState, Transition

QUARTER_DAYS = 91
_LEAST_TREND_DAYS = 14
_WEEK_STEP_MS = 1_800_000
_LEAST_AROUND_MS = 1_800_000
_MOST_POINTS = 240
_LONGEST_NOTE = 32
"""Notes stand in full under what people noted; below a picture they would fill the screen."""

_TEMPERATURES = ("temperature_c", "ambient_c", "threshold_c")

Columns = Mapping[str, Sequence[Bucket]]
"""Buckets of a device by figure."""


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


def draw_charts(store: Store, config: Config, folder: Path, now_utc_ms: int) -> None:
    """Draw what is missing or out of date, and drop the pictures of devices that are gone.

    The folder is that of the page; the pictures go into a folder of their own in it.

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
    longest_ms = max(span.length_ms for span in SPANS)
    began_utc_ms = now_utc_ms - 2 * longest_ms
    record = _Record(store, config, began_utc_ms, now_utc_ms, config.site.timezone)
    known, unit = read_manifest(folder), config.site.temperature_unit
    listed = {}
    for device_id in config.devices:
        title = config.name_of(device_id)
        columns: dict[Tier, Columns] = {}
        for span in SPANS:
            name = chart_name(device_id, span)
            listed[name] = entry = known.get(name, {})
            shows = {"device": device_id, "name": title, "unit": unit, "span": span.key}
            if (
                (charts / name).exists()
                and entry | shows == entry
                and 0 <= now_utc_ms - int(entry["drawn_utc_ms"]) < span.redraw_s * 1000
            ):
                continue
            tier = _tier(span)
            if tier not in columns:
                read_ms = max(each.length_ms for each in SPANS if _tier(each) is tier)
                columns[tier] = store.columns(
                    device_id, _TEMPERATURES, tier, now_utc_ms - read_ms, now_utc_ms
                )
            from_utc_ms = _first_known(columns[tier], now_utc_ms - span.length_ms)
            timeline = record.timeline(device_id, from_utc_ms, now_utc_ms)
            picture = _device(f"{title}, {span.words}", timeline, columns[tier], span.step_ms, unit)
            write_atomically(charts / name, draw_svg(picture).encode())
            listed[name] = {
                **shows,
                "drawn_utc_ms": now_utc_ms,
                "title": picture.title,
                "description": picture.description,
                "marks": _marks(timeline),
            }
    text = json.dumps(listed, ensure_ascii=False, indent=1)
    write_atomically(folder / MANIFEST, text.encode())
    for name in known.keys() - listed.keys():
        (charts / name).unlink(missing_ok=True)


def draw_week(store: Store, config: Config, week: Week) -> list[Drawn]:
    """Draw the devices that changed: the worst event or the week, and the quarter that it ends.

    A picture begins where something is known; the quarter is drawn of the first alone, if it moved
    and there are some weeks of it.
    """
    began_utc_ms = week.to_utc_ms - QUARTER_DAYS * DAY_MS
    record = _Record(store, config, began_utc_ms, week.to_utc_ms, week.timezone)
    drawn: list[Drawn] = []
    unit = config.site.temperature_unit
    for device in devices_in_full(week):
        # It may be gone by now.
        name = config.name_of(device.id) if device.id in config.devices else device.name
        pictures = {"week": _week_picture(store, device.id, name, record, week)}
        figures = ("rise_k", "normal_rise_k")
        columns = store.columns(device.id, figures, Tier.QUARTERS, began_utc_ms, week.to_utc_ms)
        from_utc_ms = _first_known(columns, began_utc_ms)
        days = (week.to_utc_ms - from_utc_ms) // DAY_MS
        if not drawn and has_moved(device) and days >= _LEAST_TREND_DAYS:
            rise, normal = (curve_of(columns[figure], from_utc_ms, DAY_MS) for figure in figures)
            title = f"{name}, rise above the surrounding air, {days} days"
            timeline = record.timeline(device.id, from_utc_ms, week.to_utc_ms)
            pictures["quarter"] = trend_picture(title, timeline, unit, rise=rise, normal=normal)
        for kind, picture in pictures.items():
            if any(line.curve.known for line in picture.lines):
                alt = f"{picture.title}. {picture.description}"
                key, png = _key(picture.timeline), draw_png(picture)
                drawn.append(Drawn(device.id, kind, picture.title, alt, key, png))
    return drawn


def _week_picture(
    store: Store, device_id: str, name: str, record: "_Record", week: Week
) -> Picture:
    """Show a device's worst event with as much before and after, or if that was long, the week."""
    title = f"{name}, week {IsoWeek.parse(week.week).number}"
    from_utc_ms, to_utc_ms = week.from_utc_ms, min(week.to_utc_ms, week.made_utc_ms)
    tier, step_ms = Tier.QUARTERS, _WEEK_STEP_MS
    event = next((e for e in events_of(week) if e.alarms[0].subject == device_id), None)
    if event is not None and (ended_utc_ms := event.ended) is not None:
        lasted_ms = max(_LEAST_AROUND_MS, ended_utc_ms - event.began)
        around = max(from_utc_ms, event.began - lasted_ms), min(to_utc_ms, ended_utc_ms + lasted_ms)
        if around[1] - around[0] <= DAY_MS:
            from_utc_ms, to_utc_ms = around
            title = f"{name}, {from_to(*around, week.timezone)}"
            tier, step_ms = (Tier.MINUTES if week.minutes else tier), tier.width_ms
            if week.minutes:
                points = (to_utc_ms - from_utc_ms) / (_MOST_POINTS * Tier.MINUTES.width_ms)
                step_ms = Tier.MINUTES.width_ms * max(1, math.ceil(points))
    columns = store.columns(device_id, _TEMPERATURES, tier, from_utc_ms, to_utc_ms)
    from_utc_ms = _first_known(columns, from_utc_ms)
    timeline = record.timeline(device_id, from_utc_ms, to_utc_ms)
    return _device(title, timeline, columns, step_ms, record.config.site.temperature_unit)


def _first_known(columns: Columns, from_utc_ms: int) -> int:
    """Begin no picture before there is anything of the device; a sensor that is silent is shown."""
    first = min((column[0].utc_ms for column in columns.values() if column), default=from_utc_ms)
    return max(from_utc_ms, first)


def curve_of(buckets: Sequence[Bucket], from_utc_ms: int, step_ms: int) -> Curve:
    """Condense buckets, in order of time, to stretches of `step_ms`, each at its middle.

    Buckets that begin before `from_utc_ms` are left out. The step is a multiple of their width;
    stretches begin at its multiples in UTC.
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
    points = np.column_stack(
        [
            (stretch[first] + 0.5) * step_ms,
            np.add.reduceat(mean * samples, first) / np.add.reduceat(samples, first),
            np.minimum.reduceat(low, first),
            np.maximum.reduceat(high, first),
        ]
    )
    return curve(points, step_ms)


def alarm_marks(
    transitions: Iterable[Transition], subjects: set[str], from_utc_ms: int
) -> list[AlarmMark]:
    """Give the alarms of some subjects that were active after an instant, by their first sign.

    One that another alarm or a trial hides for a while goes on meanwhile, if it was seen before.
    The transitions, in order of time, begin before it, for what stood then already.
    """
    open_since: dict[str, tuple[int, Transition]] = {}
    ended: dict[str, int] = {}
    marks: list[AlarmMark] = []

    def mark(from_utc_ms: int, raised: Transition, to_utc_ms: int | None) -> None:
        words = predicate(raised)
        marks.append(AlarmMark(from_utc_ms, to_utc_ms, raised.priority.value, words))

    for each in transitions:
        if each.subject not in subjects:
            continue
        if each.state in STANDS or (
            each.state is AlarmState.SUPPRESSED and each.previous in STANDS
        ):
            # Back from where somebody put it, it still has the first sign of before.
            since = max(first_sign(each), ended.get(each.id, 0))
            open_since.setdefault(each.id, (since, each))
        elif each.state is AlarmState.SUPPRESSED:
            continue
        elif raised := open_since.pop(each.id, None):
            ended[each.id] = each.utc_ms
            if each.utc_ms >= from_utc_ms:
                mark(*raised, each.utc_ms)
    for raised in open_since.values():
        mark(*raised, None)
    return sorted(marks, key=lambda mark: mark.from_utc_ms)


class _Record:
    """What is marked on the pictures of all devices."""

    def __init__(
        self, store: Store, config: Config, from_utc_ms: int, to_utc_ms: int, timezone: str
    ) -> None:
        self.config, self._timezone = config, timezone
        self._transitions = store.transitions(from_utc_ms, to_utc_ms)
        self._log = operator_log(store)

    def timeline(self, device_id: str, from_utc_ms: int, to_utc_ms: int) -> Timeline:
        subjects = subjects_of(device_id, self.config.devices.get(device_id))
        alarms = alarm_marks(self._transitions, subjects, from_utc_ms)
        notes = entries_about(subjects, self._log, from_utc_ms, to_utc_ms)
        return Timeline(
            from_utc_ms,
            to_utc_ms,
            self._timezone,
            [alarm for alarm in alarms if alarm.from_utc_ms < to_utc_ms],
            notes,
        )


def _tier(span: Span) -> Tier:
    """Up to a day from minutes; longer ones are fine enough from quarters of an hour."""
    return Tier.MINUTES if span.length_ms <= DAY_MS else Tier.QUARTERS


def _device(
    title: str, timeline: Timeline, columns: Columns, step_ms: int, unit: TemperatureUnit
) -> Picture:
    temperature, ambient, threshold = (
        curve_of(columns[figure], timeline.from_utc_ms, step_ms) for figure in _TEMPERATURES
    )
    return device_picture(
        title, timeline, unit, temperature=temperature, ambient=ambient, threshold=threshold
    )


def _marks(timeline: Timeline) -> list[dict[str, str]]:
    marks = []
    for number, alarm in enumerate(timeline.alarms, 1):
        start = short_time(alarm.from_utc_ms, timeline.timezone)
        end = "still active"
        if alarm.to_utc_ms is not None:
            end = f"until {short_time(alarm.to_utc_ms, timeline.timezone)}"
        text = f"{alarm.priority}: {alarm.text}, from {start}, {end}"
        marks.append({"name": f"A{number}", "tone": alarm.priority, "text": text})
    for number, note in enumerate(timeline.notes, 1):
        text = f"{short_time(note.utc_ms, timeline.timezone)}: {note.text}"
        marks.append({"name": f"N{number}", "tone": "note", "text": text})
    return marks


def _key(timeline: Timeline) -> str:
    """Say in one line what is marked, as far as it is marked with a name."""
    alarms = (
        f"A{number} {alarm.text} ({alarm.priority}),"
        f" {short_time(alarm.from_utc_ms, timeline.timezone)}"
        for number, alarm in enumerate(timeline.alarms[:MOST_MARKS_NAMED], 1)
    )
    notes = (
        f"N{number} {shorten(note.text, _LONGEST_NOTE, placeholder='…').rstrip('.')},"
        f" {short_time(note.utc_ms, timeline.timezone)}"
        for number, note in enumerate(timeline.notes[:MOST_MARKS_NAMED], 1)
    )
    return "; ".join((*alarms, *notes))
