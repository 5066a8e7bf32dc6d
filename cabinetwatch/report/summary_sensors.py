"""The week of each sensor: how much of the time it was heard, its gaps and its faults."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from statistics import median

from cabinetwatch.config.sensors import Sensor
from cabinetwatch.report.summary_due import Span
from cabinetwatch.report.summary_figures import SensorWeek
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import SENSOR_FIGURE, Bucket, Tier
from cabinetwatch.watch.transition import Transition

FAULTS = {"silent", "stuck", "implausible"}
"""The conditions that tell of the sensor itself, rather than of what it measures."""

_QUARTER_S = Tier.QUARTERS.width_ms / 1000


def sensor_week(
    store: Store,
    sensor_id: str,
    sensor: Sensor,
    *,
    week: Span,
    running: Sequence[Span],
    tier: Tier,
    transitions: Iterable[Transition],
    unreadable: int,
) -> SensorWeek:
    """Give a sensor's figures.

    Args:
        store: to read.
        sensor_id: of the sensor.
        sensor: as it was configured then.
        week: from when up to when.
        running: when the watch ran, within the week.
        tier: the finest there is.
        transitions: of the week.
        unreadable: how many messages could not be read.
    """
    quarters = store.buckets(sensor_id, SENSOR_FIGURE, Tier.QUARTERS, *week)
    faults = Counter(
        each.condition
        for each in transitions
        if each.subject == sensor_id and each.is_raise and each.condition in FAULTS
    )
    readings = sum(bucket.samples for bucket in quarters)
    every_s = _heard_every_s(sensor, tier)
    availability: float | None = None
    gaps: list[int] = []
    if every_s is not None and running:
        availability = 1.0
        # Nine sensors in ten have nothing missing, which the quarters tell fifteen times faster.
        if not _is_full(quarters, sensor, every_s, running):
            fine = Tier.QUARTERS if every_s >= _QUARTER_S else tier
            buckets = store.buckets(sensor_id, SENSOR_FIGURE, fine, *week)
            availability, gaps = heard(buckets, round(every_s * 1000), running)
    return SensorWeek(
        id=sensor_id,
        quantity=sensor.quantity,
        readings=readings,
        heard_every_s=every_s,
        availability=availability,
        gaps=len(gaps),
        longest_gap_s=max(gaps, default=0) * (every_s or 0.0),
        faults=dict(faults),
        unreadable=unreadable,
        name=sensor.name or "",
    )


def heard(
    buckets: Sequence[Bucket], width_ms: int, running: Sequence[Span]
) -> tuple[float | None, list[int]]:
    """Give the part of whole stretches with a reading, and how long each gap is, in stretches.

    Args:
        buckets: none wider than a stretch.
        width_ms: of a stretch.
        running: only stretches that lie wholly within one of these count.
    """
    there = {bucket.utc_ms // width_ms for bucket in buckets}
    count = 0
    gaps: list[int] = []
    for from_utc_ms, to_utc_ms in running:
        missing = 0
        for slot in range(-(-from_utc_ms // width_ms), to_utc_ms // width_ms):
            count += 1
            if slot not in there:
                missing += 1
            elif missing:
                gaps.append(missing)
                missing = 0
        if missing:
            gaps.append(missing)
    return (1 - sum(gaps) / count if count else None), gaps


def _heard_every_s(sensor: Sensor, tier: Tier) -> float | None:
    """Give the seconds, in widths of a tier, in which it should have been heard at least once."""
    if sensor.interval_s is None or sensor.on_change:
        return None
    silent_s, width_s = sensor.interval_s * sensor.silent_after, tier.width_ms / 1000
    if silent_s > _QUARTER_S - width_s:
        width_s = _QUARTER_S
    return max(1, math.ceil(silent_s / width_s)) * width_s


def _is_full(
    quarters: Sequence[Bucket], sensor: Sensor, every_s: float, running: Sequence[Span]
) -> bool:
    """Whether each whole quarter in which the watch ran has so many readings that none is missing.

    Less than a stretch's worth is missing, by the interval or by what is usual with this sensor.
    """
    if every_s >= _QUARTER_S or not quarters:
        return False
    width_ms = Tier.QUARTERS.width_ms
    samples = {bucket.utc_ms // width_ms: bucket.samples for bucket in quarters}
    usual = max(_QUARTER_S / (sensor.interval_s or 1.0), median(samples.values()))
    return all(
        samples.get(slot, 0) > usual * (1 - every_s / _QUARTER_S)
        for from_utc_ms, to_utc_ms in running
        for slot in range(-(-from_utc_ms // width_ms), to_utc_ms // width_ms)
    )
