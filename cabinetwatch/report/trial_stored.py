"""A trial's readings out of the store, and whether the store has let some of them go."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from cabinetwatch.report.trial_case import Case, sensors_needed
from cabinetwatch.report.trial_readings import Interval, Readings, read_store
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import Tier
from cabinetwatch.trial.data import Series
from cabinetwatch.watch.trials import MEASURED

_MINUTE_MS = 60_000
_POINTS_BETWEEN = 240
_WHOLE = 0.9
"""Part of what the minutes counted that counts as all of it: they count retained copies as well."""


def with_stored_readings(case: Case, store: Store) -> Case:
    """Give a case with what the store has of each of its phases.

    Raises:
        StoreError: the store can't be read.
    """
    sensors = sensors_needed(case.config, case.device)
    case = replace(case, readings=read_store(store, case.config, sensors, case.intervals.values()))
    return replace(case, let_go=_phases_let_go(case, store), between=_read_between(case, store))


def _read_between(case: Case, store: Store) -> Readings:
    """Give the means of temperature and ambient between the phases: as cheap over a year."""
    device = case.config.devices[case.device]
    phases = sorted(case.intervals.values())
    gaps = [(first[1], last[0]) for first, last in pairwise(phases) if last[0] > first[1]]
    found = {}
    for sensor in (device.temperature, device.ambient):
        if sensor is not None:
            means = [each for gap in gaps for each in _means(store, sensor, gap)]
            t_ms, values = np.array(means, dtype=float).reshape(-1, 2).T
            found[sensor] = Series(t_ms.astype(np.int64), values)
    return found


def _means(store: Store, sensor: str, gap: Interval) -> list[tuple[float, float]]:
    """Middle and mean of the buckets that lie wholly within a gap."""
    series = store.series(sensor, "value", *gap, _POINTS_BETWEEN)
    return [
        (bucket.utc_ms + series.step_ms / 2, bucket.mean)
        for bucket in series.buckets
        if bucket.utc_ms + series.step_ms <= gap[1]
    ]


def _phases_let_go(case: Case, store: Store) -> frozenset[str]:
    gone_ms = store.raw_gone_before()
    if gone_ms is None:
        return frozenset()
    device = case.config.devices[case.device]
    sensors = [sensor for sensor in (device.temperature, device.ambient) if sensor is not None]
    found = set()
    for name in MEASURED:
        start_ms, end_ms = case.intervals.get(name, (gone_ms, gone_ms))
        old = start_ms, min(end_ms, gone_ms)
        if any(_let_go(store, case.readings, sensor, old) for sensor in sensors):
            found.add(name)
    return frozenset(found)


def _let_go(store: Store, readings: Readings, sensor: str, old: Interval) -> bool:
    """Whether readings of a time before all are kept are gone: minutes tell how many there were."""
    start_ms, end_ms = -(-old[0] // _MINUTE_MS) * _MINUTE_MS, old[1] // _MINUTE_MS * _MINUTE_MS
    if end_ms <= start_ms:
        return False
    minutes = store.buckets(sensor, "value", Tier.MINUTES, start_ms, end_ms)
    left = 0
    if sensor in readings:
        t_ms = readings[sensor].t_ms
        left = int(((t_ms >= start_ms) & (t_ms < end_ms)).sum())
    if minutes:
        return left < _WHOLE * sum(minute.samples for minute in minutes)
    # Without minutes it was silent, unless those have gone as well.
    oldest_ms = store.room().oldest_minutes_utc_ms
    return left == 0 and (oldest_ms is None or oldest_ms > start_ms)
