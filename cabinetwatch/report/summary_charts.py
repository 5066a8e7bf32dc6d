"""The pictures of a summary: each device's week, and a quarter of a year of its rise."""

from collections.abc import Iterator, Sequence
from textwrap import shorten
from typing import NamedTuple

from cabinetwatch.charts.canvas import MOST_MARKS_NAMED, draw_png
from cabinetwatch.charts.picture import Curve, Picture
from cabinetwatch.charts.presets import device_picture, trend_picture
from cabinetwatch.config.model import Config
from cabinetwatch.report.page_curves import curve_of
from cabinetwatch.report.page_marks import Deed, alarm_marks, deeds, note_marks
from cabinetwatch.report.page_words import short_time, subjects_of
from cabinetwatch.report.summary_figures import Week
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import DAY_MS, Tier
from cabinetwatch.watch.transition import Transition

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


class _Record(NamedTuple):
    """What all pictures of a summary are made of."""

    store: Store
    config: Config
    week: Week
    transitions: Sequence[Transition]
    deeds: Sequence[Deed]


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
    known = [deed for deed in deeds(store) if deed.utc_ms < week.to_utc_ms]
    return list(_draw(_Record(store, config, week, transitions, known)))


def _draw(record: _Record) -> Iterator[Drawn]:
    for device in record.week.devices:
        pictures = {"week": _week(record, device.id), "quarter": _quarter(record, device.id)}
        for kind, picture in pictures.items():
            if any(line.curve.known for line in picture.lines):
                alt = f"{picture.title}. {picture.description}"
                png = draw_png(picture, _SCALE)
                yield Drawn(device.id, kind, picture.title, alt, _key(picture), png)


def _week(record: _Record, device_id: str) -> Picture:
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


def _quarter(record: _Record, device_id: str) -> Picture:
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


def _called(record: _Record, device_id: str) -> tuple[str, set[str]]:
    """Give a device's name, and the subjects that belong to it; it may be gone by now."""
    device = record.config.devices.get(device_id)
    if device is None:
        name = next(each.name for each in record.week.devices if each.id == device_id)
        return name, {device_id}
    return record.config.name_of(device_id), subjects_of(device_id, device)


def _curves(
    record: _Record, device_id: str, span: tuple[int, int], step_ms: int, *figures: str
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
