"""The readings of a trial: out of the store, or out of a file that somebody has."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from cabinetwatch.config.devices import Device
from cabinetwatch.config.model import Config
from cabinetwatch.intake import tables
from cabinetwatch.store.corrections import offsets_throughout
from cabinetwatch.store.store import Store
from cabinetwatch.trial.data import EMPTY, Phase, Series
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.reading import Quality

Readings = Mapping[str, Series]
"""By sensor: UTC in ms and SI values with the offset applied, in order of time."""

Interval = tuple[int, int]
"""From one instant up to before another, UTC in ms."""


def sensors_of(device: Device) -> list[str]:
    """Give every sensor of a device."""
    named = (device.temperature, device.ambient, *device.power, device.fan, device.sound)
    return [sensor for sensor in named if sensor is not None]


def read_store(
    store: Store, config: Config, sensors: Iterable[str], intervals: Iterable[Interval]
) -> Readings:
    """Read some sensors out of the store, corrected by the offsets in force when they came.

    Args:
        store: where they are.
        config: as it is now.
        sensors: those wanted.
        intervals: when; what lies in several is given once.

    Raises:
        StoreError: the store can't be read.
    """
    wanted = frozenset(sensors)
    offsets = offsets_throughout(store.entries(EntryKind.CONFIG), config)
    found: list[tuple[str, int, float]] = []
    read_up_to_ms = 0
    for start_ms, end_ms in sorted(intervals):
        from_ms = max(start_ms, read_up_to_ms)
        for stretch in store.stretches(from_ms, end_ms):
            in_force = offsets.at(stretch.first_seq)
            for reading in stretch.readings:
                utc_ms = reading.t + stretch.offset_ms
                # A broker's retained copy has no instant of its own.
                stray = reading.sensor not in wanted or reading.quality is Quality.RETAINED
                if from_ms <= utc_ms < end_ms and not stray:
                    value = reading.value + in_force.get(reading.sensor, 0.0)
                    found.append((reading.sensor, utc_ms, value))
        read_up_to_ms = max(read_up_to_ms, end_ms)
    return _sorted(found)


def read_file(path: Path, config: Config, on_problem: Callable[[int, str], None]) -> Readings:
    """Read a recording, an export or a CSV file of time, sensor and value.

    Raises:
        UsageError: the file can't be opened, or is of none of the kinds.
    """
    found = []
    for reading in tables.read(path, config.sensors, on_problem):
        offset = 0.0 if reading.corrected else config.sensors[reading.sensor].offset
        found.append((reading.sensor, reading.utc_ms, reading.value + offset))
    return _sorted(found)


def phase_of(device: Device, readings: Readings, interval: Interval) -> Phase:
    """Give a phase of a device with what was read in it."""

    def series(sensor: str | None) -> Series | None:
        if sensor is None or sensor not in readings:
            return None
        whole = readings[sensor]
        first, last = np.searchsorted(whole.t_ms, interval)
        return Series(whole.t_ms[first:last], whole.value[first:last])

    return Phase(
        *interval,
        temperature=series(device.temperature) or EMPTY,
        ambient=series(device.ambient) or EMPTY,
        power=_sum([series(sensor) for sensor in device.power]),
        fan=series(device.fan),
        sound=series(device.sound),
    )


def _sum(supplies: Sequence[Series | None]) -> Series | None:
    """Add the powers of several supplies, each held until its next reading."""
    known = [supply for supply in supplies if supply is not None and len(supply.t_ms)]
    if not known or len(known) < len(supplies):
        return None
    if len(known) == 1:
        return known[0]
    t_ms = np.unique(np.concatenate([supply.t_ms for supply in known]))
    t_ms = t_ms[t_ms >= max(supply.t_ms[0] for supply in known)]
    held = [s.value[np.searchsorted(s.t_ms, t_ms, side="right") - 1] for s in known]
    return Series(t_ms, np.sum(held, axis=0))


def _sorted(found: list[tuple[str, int, float]]) -> Readings:
    """Put readings by sensor and time; two of one millisecond are both kept."""
    by_sensor: dict[str, list[tuple[int, float]]] = {}
    for sensor, utc_ms, value in found:
        by_sensor.setdefault(sensor, []).append((utc_ms, value))
    series = {}
    for sensor, pairs in by_sensor.items():
        pairs.sort(key=lambda pair: pair[0])
        times, values = zip(*pairs, strict=True)
        series[sensor] = Series(np.array(times, dtype=np.int64), np.array(values, dtype=float))
    return series
