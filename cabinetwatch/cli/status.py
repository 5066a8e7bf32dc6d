"""`cabinetwatch status`: devices with their figures, sensors, what stands, and the watch itself."""

import argparse
from typing import Any

from cabinetwatch.cli.output import print_json, print_table, say
from cabinetwatch.cli.transitions import print_standing
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.store.snapshot import Snapshot, take_snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.times import describe_duration, from_rfc3339
from cabinetwatch.watch import configuration

_UNKNOWN = "-"
_DECIMALS = {"fan-speed": 0, "humidity": 0}
_UNITS = {
    "temperature": "°C",
    "humidity": "%",
    "power": "W",
    "fan-speed": "rpm",
    "sound-level": "dB",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Show the present; exit status 1 when something is wrong or the watch is not running."""
    config = configuration.load(find_config_file(args.config))
    clock = SystemClock()
    with Store.open(config.store.url, read_only=True) as store:
        snapshot = take_snapshot(store, config, clock)
    if args.json:
        print_json(snapshot.public())
    else:
        show(snapshot, clock.utc_ms())
    return 0 if snapshot.is_well else 1


def show(snapshot: Snapshot, now_utc_ms: int) -> None:
    """Print a snapshot for people, who read it at `now_utc_ms`."""
    say(_headline(snapshot, now_utc_ms))
    print()
    print_table(
        ("Device", "Now", "Ambient", "Rise", "Load", "Fan", "Threshold", "Margin"),
        [_device_row(figures) for figures in snapshot.devices.values()],
        right=range(1, 8),
    )
    print()
    print_table(
        ("Sensor", "Value", "State", "Last heard"),
        [_sensor_row(name, each, now_utc_ms) for name, each in snapshot.sensors.items()],
        right=(1,),
    )
    print()
    print_standing(snapshot.standing)


def _headline(snapshot: Snapshot, now_utc_ms: int) -> str:
    if snapshot.utc_ms is None:
        return f"{snapshot.site}: the watch has never run with this store."
    age = describe_duration((now_utc_ms - snapshot.utc_ms) / 1000)
    if not snapshot.running:
        return f"{snapshot.site}: THE WATCH IS NOT RUNNING; its last sign of life was {age} ago."
    if not snapshot.connected:
        return f"{snapshot.site}: the watch is running, but has no connection to its broker."
    up = describe_duration((now_utc_ms - (snapshot.since_utc_ms or now_utc_ms)) / 1000)
    return f"{snapshot.site}: the watch has been running for {up}; these figures are {age} old."


def _device_row(figures: dict[str, Any]) -> list[str]:
    return [
        f"{figures['name']}{' (off)' if figures['off'] else ''}",
        _with_unit(figures["temperature_c"], "°C"),
        _with_unit(figures["ambient_c"], "°C"),
        _with_unit(figures["rise_k"], "K"),
        _with_unit(figures["power_w"], "W"),
        _with_unit(figures["fan_rpm"], "rpm", 0),
        _with_unit(figures["threshold_c"], "°C"),
        _with_unit(figures["margin_k"], "K"),
    ]


def _sensor_row(name: str, figures: dict[str, Any], now_utc_ms: int) -> list[str]:
    quantity = figures["quantity"]
    heard = _UNKNOWN
    if figures["time"] is not None:
        heard = f"{describe_duration((now_utc_ms - from_rfc3339(figures['time'])) / 1000)} ago"
    value = _with_unit(figures["value"], _UNITS[quantity], _DECIMALS.get(quantity, 1))
    return [name, value, figures["state"], heard]


def _with_unit(value: float | None, unit: str, decimals: int = 1) -> str:
    return _UNKNOWN if value is None else f"{value:.{decimals}f} {unit}"
