"""The pictures of the page: drawn from the tiers into a folder, with a list of what they show."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cabinetwatch.charts.canvas import draw_svg
from cabinetwatch.charts.picture import Curve, Picture
from cabinetwatch.charts.presets import device_picture
from cabinetwatch.config.model import Config
from cabinetwatch.report.page_curves import curve_of
from cabinetwatch.report.page_files import (
    CHARTS,
    MANIFEST,
    SPANS,
    Span,
    chart_name,
    drop_abandoned,
    read_manifest,
    write_atomically,
)
from cabinetwatch.report.page_marks import (
    alarm_marks,
    deeds,
    note_marks,
)
from cabinetwatch.report.page_words import short_time, subjects_of
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import Bucket, Tier

_FINE_TO_MS = 86_400_000
"""Pictures up to so long are drawn from minutes, longer ones from quarters of an hour."""


class _Record:
    """What all pictures are made of; what several are made of is read once."""

    def __init__(self, store: Store, config: Config, now_utc_ms: int) -> None:
        longest_ms = max(span.length_ms for span in SPANS)
        self.config = config
        self.now_utc_ms = now_utc_ms
        self.transitions = store.transitions(now_utc_ms - 2 * longest_ms, now_utc_ms)
        self.deeds = deeds(store)
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
    record = _Record(store, config, now_utc_ms)
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
    record: _Record, charts: Path, known: dict[str, dict[str, Any]], device_id: str, span: Span
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


def _picture(record: _Record, device_id: str, span: Span) -> Picture:
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
