"""Teaching a device's observer from an interval of the store."""

from collections.abc import Sequence
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import DAY_MS
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.reading import Quality, Reading


_WHOLE = 0.98
"""The lesson ends a little before the record does: the observer counts from its first step."""

_LEARNT = {"frozen", "commissioned"}


class LessonError(CabinetwatchError):
    """The record holds too little to learn from, in one sentence."""


def teach(
    store: Store, config: Config, device_id: str, from_utc_ms: int | None, to_utc_ms: int | None
) -> dict[str, Any]:
    """Learn a device's normal rise and response from an interval of the store.

    Args:
        store: open for reading.
        config: in force; the device must be in it, with an ambient sensor.
        device_id: the device.
        from_utc_ms: where the interval begins; none: with the first reading.
        to_utc_ms: up to before this; none: to the last reading.

    Returns:
        The state of the observer that has learnt, as `DeviceView.take_over` wants it.

    Raises:
        LessonError: there is too little in it.
        StoreError: the store can't be read.
    """
    heard = _heard(store, _sensors_of(config, device_id), from_utc_ms, to_utc_ms)
    if not heard:
        raise LessonError(f"The store has no readings of {device_id} in that interval")
    first_ms, last_ms = heard[0].t, heard[-1].t
    days = min(config.site.learning_days, (last_ms - first_ms) / DAY_MS * _WHOLE)
    device = _fed(_alone(config, device_id, days), heard).house.devices[device_id]
    if device.observer.learning.stage not in _LEARNT or device.observer.normal is None:
        raise LessonError(
            f"The record from {to_rfc3339(first_ms)} to {to_rfc3339(last_ms)} holds too little of"
            f" {device_id} running to learn from; give a longer interval"
        )
    return device.observer.save()


def _heard(
    store: Store, sensors: Sequence[str], from_utc_ms: int | None, to_utc_ms: int | None
) -> list[Reading]:
    """Give the readings of some sensors in the order of their instants (UTC), fit to be judged."""
    return sorted(
        (
            Reading(reading.sensor, utc_ms, reading.value)
            for reading, utc_ms in store.readings(None, from_utc_ms, to_utc_ms)
            # A broker's retained copy has no instant of its own.
            if reading.sensor in sensors and reading.quality is not Quality.RETAINED
        ),
        key=lambda reading: reading.t,
    )


def _sensors_of(config: Config, device_id: str) -> list[str]:
    device = config.devices[device_id]
    ambient = () if device.ambient is None else (device.ambient,)
    return [device.temperature, *ambient, *device.power]


def _alone(config: Config, device_id: str, learning_days: float) -> Engine:
    """Give an engine with this one device, which learns for so long."""
    tables = config.as_json()
    tables["site"]["learning_days"] = learning_days
    needed = _sensors_of(config, device_id)
    tables["sensors"] = {name: tables["sensors"][name] for name in needed}
    device = tables["devices"][device_id] | {"fan": None, "min_fan_rpm": None, "sound": None}
    tables["devices"] = {device_id: device | {"fan_may_stop": False}}
    return Engine(configuration.restore(tables))


def _fed(engine: Engine, heard: Sequence[Reading]) -> Engine:
    for reading in heard:
        engine.observe(reading)
    return engine
