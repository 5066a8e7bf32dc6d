"""The live figures: what `status --json` and the device topics publish."""

from typing import Any

from cabinetwatch.clock import to_rfc3339
from cabinetwatch.text import rounded
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.sensors import SensorView


def device_figures(engine: Engine) -> dict[str, dict[str, Any]]:
    """Give the figures of every device, by ID."""
    return {
        device_id: {"name": device.name}
        | device.figures()
        | {"learning": _learning(device, engine.offset_ms)}
        for device_id, device in engine.house.devices.items()
    }


def _learning(device: DeviceView, offset_ms: int) -> dict[str, Any] | None:
    """Give how far learning is; None for a device without an ambient, which has no rise.

    `since`: when it was learnt, or when the learning that still goes on began.
    """
    if device.ambient is None:
        return None
    status = device.observer.learning
    since_ms = status.learnt_ms or device.learning_since_t
    return {
        "stage": status.stage,
        "since": None if since_ms is None else to_rfc3339(since_ms + offset_ms),
        "days": rounded(status.days, 2),
        "loads_w": None if status.loads_w is None else [rounded(w, 1) for w in status.loads_w],
        "confidence": status.confidence,
        "remarks": list(status.remarks),
    }


def sensor_figures(engine: Engine) -> dict[str, dict[str, Any]]:
    """Give the present of every sensor, by ID."""
    return {
        sensor_id: _sensor(sensor, engine.offset_ms)
        for sensor_id, sensor in engine.house.sensors.items()
    }


def _sensor(sensor: SensorView, offset_ms: int) -> dict[str, Any]:
    last_t, unheard = sensor.last_live_t, sensor.unheard
    return {
        "name": sensor.name,
        "quantity": sensor.quantity,
        "value": rounded(sensor.value, 3) if sensor.known else None,
        "time": None if last_t is None else to_rfc3339(last_t + offset_ms),
        "state": _state(sensor),
        "late": {
            "since_start": unheard.late,
            "greatest_s": rounded(unheard.late_ms / 1000, 1) if unheard.late else None,
        },
    }


def _state(sensor: SensorView) -> str:
    if sensor.silent:
        return "silent"
    if sensor.implausible:
        return "implausible"
    if sensor.stuck:
        return "stuck"
    if sensor.good:
        return "live"
    return "waiting" if sensor.last_live_t is None else "stale"
