"""A store as a watch leaves it after a long time: invented gear, figures by a formula known here.

The devices' minutes are written as the daemon writes them; over the last minutes a real engine has
judged readings, so that there are live figures and standing alarms.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cabinetwatch.config.model import Config
from cabinetwatch.notify.plan import Planner
from cabinetwatch.store.codecs import Bucket, FigureMinute
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import pack_state
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Now
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.support.empty_store import put_empty_store

MINUTE_MS = 60_000
DAY_MS = 86_400_000
QUARTER_MS = 900_000
NAMES = (
    "NAS",
    "PoE switch",
    "UPS",
    "AV amplifier",
    "Router",
    "Backup NAS",
    "Hub",
    "Tuner",
    "Modem",
)

_SITE = """
[site]
name = {name}
timezone = "Europe/Dublin"
temperature_unit = "{unit}"

[store]
url = "sqlite:///watch.db"
flush_s = 0.3

[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"

[alarms.over-derating]
on_delay_s = 0
"""

_DEVICE = """
[sensors.air-{number}]
topic = "cabinet/{number}/temperature"
quantity = "temperature"

[devices.gear-{number}]
name = {name}
temperature = "air-{number}"
ambient = "hall"
derating = [[{threshold_c}, 1.0], [70.0, 0.5]]
time_constant_s = 900.0
normal_rise_k = {normal_k}
"""


@dataclass(frozen=True)
class House:
    """A folder with a configuration and a store that ends at `now_utc_ms`."""

    path: Path
    config: Config
    now_utc_ms: int

    @property
    def url(self) -> str:
        """The store's URL."""
        return database_url(self.path.with_name("watch.db"))


def ambient_c(utc_ms: float) -> float:
    """The hall: day and night, and a week's weather."""
    day, week = (2 * math.pi * utc_ms / span_ms for span_ms in (DAY_MS, 7 * DAY_MS))
    return 22.0 + 2.0 * math.sin(day) + 1.0 * math.sin(week)


def rise_k(number: int, utc_ms: float) -> float:
    """A device's rise: its own, and some work in the evening."""
    return 8.0 + number + 1.5 * math.sin(2 * math.pi * utc_ms / DAY_MS + 1.0)


def temperature_c(number: int, utc_ms: float) -> float:
    """A device's warm air."""
    return ambient_c(utc_ms) + rise_k(number, utc_ms)


def threshold_c(number: int) -> float:
    """Where a device's curve begins to fall: the first is too warm, the last far from it."""
    return 25.0 if number == 0 else 44.0 + number


def build(
    folder: Path,
    now_utc_ms: int,
    *,
    devices: int = 3,
    days: int = 2,
    names: tuple[str, ...] = NAMES,
    site: str = "under-stairs cabinet",
    unit: str = "Cel",
    tables: str = "",
) -> House:
    """Make configuration and store.

    Args:
        folder: for both.
        now_utc_ms: the newest commit.
        devices: how many.
        days: of minutes; those before the last eight days are told by one minute in fifteen.
        names: of the devices; used again with a number when they don't suffice.
        site: its name.
        unit: in which its people read temperatures.
        tables: more of the configuration.
    """
    path = folder / "config.toml"
    text = _SITE.format(name=_quoted(site), unit=unit) + "".join(
        _DEVICE.format(
            number=number,
            name=_quoted(_name(names, number)),
            threshold_c=threshold_c(number),
            normal_k=8.0 + number,
        )
        for number in range(devices)
    )
    path.write_text(text + tables)
    config = load_config(path)
    put_empty_store(config.store.url)
    with Store.open(config.store.url) as store:
        for batch in _minutes(now_utc_ms, days, devices):
            store.commit(batch)
            t = batch.advanced_to or 0
            for _ in store.tidy(Now(t, t)):
                pass
        _live(store, config, now_utc_ms, devices)
    return House(path, config, now_utc_ms)


def _name(names: tuple[str, ...], number: int) -> str:
    again = number // len(names)
    return names[number % len(names)] + (f" {again + 1}" if again else "")


def _quoted(text: str) -> str:
    return "'" + text + "'"


def _minutes(now_utc_ms: int, days: int, devices: int) -> Iterator[Batch]:
    """Give a day's minutes at a time, up to the last quarter of an hour."""
    end = now_utc_ms - now_utc_ms % QUARTER_MS - QUARTER_MS
    for day in range(days, 0, -1):
        start = end - day * DAY_MS
        step = MINUTE_MS if day <= 8 else QUARTER_MS
        minutes = [
            FigureMinute(utc_ms, {f"gear-{n}": _figures(n, utc_ms) for n in range(devices)})
            for utc_ms in range(start, start + DAY_MS, step)
        ]
        # A mark of how far the watch had come carries the day.
        yield Batch(start + DAY_MS, 0, figures=minutes)


def _figures(number: int, utc_ms: int) -> dict[str, Bucket]:
    figures = {
        "temperature_c": temperature_c(number, utc_ms),
        "ambient_c": ambient_c(utc_ms),
        "threshold_c": threshold_c(number),
        "rise_k": rise_k(number, utc_ms),
        "settled_rise_k": rise_k(number, utc_ms),
        "normal_rise_k": 8.0 + number,
        "margin_k": threshold_c(number) - temperature_c(number, utc_ms),
    }
    return {
        figure: Bucket(utc_ms, 6, value, value - 0.2, value + 0.2)
        for figure, value in figures.items()
    }


def _live(store: Store, config: Config, now_utc_ms: int, devices: int) -> None:
    """Let an engine judge the last half hour, and write what followed."""
    start = now_utc_ms - 30 * MINUTE_MS
    engine, planner = Engine(config), Planner()
    opening = [
        Entry(start, EntryKind.CONFIG, {"config": config.as_json()}),
        Entry(start, EntryKind.START, {"offset_ms": 0, "boot_ms": 0, "ran_until_ms": None}),
        Entry(start, EntryKind.CONNECT, {"session_present": False}),
    ]
    batch = Batch(now_utc_ms, 0, inputs=list(opening))
    told = [each for entry in opening[1:] for each in engine.tell(entry)]
    saved = False
    for t in range(start + 1000, now_utc_ms, 10_000):
        if t > now_utc_ms - 10 * MINUTE_MS and not saved:
            batch.advanced_to, batch.state, saved = engine.now, pack_state(engine), True
            store.commit(batch)
            batch = Batch(now_utc_ms, 0)
        for reading in _round(t, devices):
            batch.inputs.append(reading)
            told += engine.observe(reading)
    told += engine.advance(now_utc_ms)
    batch.transitions = told
    batch.notices = planner.plan(told, engine) if told else []
    store.commit(batch)


def _round(t: int, devices: int) -> list[Reading]:
    air = [Reading(f"air-{n}", t, round(temperature_c(n, t), 2)) for n in range(devices)]
    return [Reading("hall", t, round(ambient_c(t), 2)), *air]
