"""A store as a watch leaves it after a fortnight in which things went wrong, and the truth of it.

Everything is invented: four pieces of gear in an under-stairs cabinet, whose figures come from a
fixed seed. The tiers are written as the upkeep leaves them; what the tests hold the summary against
is reckoned from the arrays kept here, by another way.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import insert

from cabinetwatch.config.model import Config
from cabinetwatch.store.codecs import DAY_MS, Bucket, Tier, encode_tier_block
from cabinetwatch.store.inputs import TABLES
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch, Notice, Outcome
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import mark
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Priority, Reading, Transition
from tests.support.empty_store import put_empty_store

Numbers = NDArray[np.float64]

MINUTE_MS = 60_000
HOUR_MS = 3_600_000

WEEK = "2026-W47"
MONDAY = int(datetime(2026, 11, 16, tzinfo=UTC).timestamp() * 1000)
"""Dublin keeps UTC in November."""
SUNDAY_NIGHT = MONDAY + 7 * DAY_MS
NOW = SUNDAY_NIGHT + 7 * HOUR_MS
FIRST = MONDAY - 7 * DAY_MS

CUT = MONDAY + 3 * DAY_MS + 2 * HOUR_MS
"""A power cut in the night to Thursday, of six hours."""
CUT_ENDS = CUT + 6 * HOUR_MS

TUESDAY_EVENING = MONDAY + DAY_MS + 20 * HOUR_MS
FRIDAY_EVENING = MONDAY + 4 * DAY_MS + 18 * HOUR_MS
SATURDAY = MONDAY + 5 * DAY_MS + HOUR_MS

_UNACKNOWLEDGED, _RETURNED = AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED
_ACKNOWLEDGED, _NORMAL = AlarmState.ACKNOWLEDGED, AlarmState.NORMAL

CONFIG = """
[site]
name = "under-stairs cabinet"
timezone = "Europe/Dublin"

[store]
url = "sqlite:///watch.db"

[notify]
quiet_hours = "22:30-06:30"

[notify.email]
host = "127.0.0.1"
port = {mail_port}
security = "none"
from = "The watch <watch@under-stairs.example>"
to = ["owner@under-stairs.example"]

[summary]
to = ["owner@under-stairs.example", "flatmate@under-stairs.example"]
"""

_SENSOR = """
[sensors.{name}]
topic = "cabinet/{name}"
quantity = "{quantity}"
"""

_DEVICE = """
[devices.{id}]
name = "{name}"
temperature = "{id}-air"
ambient = "hall"
derating = [[{threshold_c}, 1.0], [70.0, 0.5]]
normal_rise_k = {normal_k}
time_constant_s = 900.0
"""


@dataclass(frozen=True)
class Gear:
    """A device of the story."""

    id: str
    name: str
    threshold_c: float
    normal_k: float
    climb_k: float = 0.0
    """By how much its rise climbs over the fortnight."""
    off_hours: tuple[int, int] | None = None
    """When it is off each day: from hour to hour (UTC)."""


GEAR = (
    Gear("nas", "NAS", 52.0, 12.0),
    Gear("poe-switch", "PoE switch", 56.0, 15.0),
    Gear("ups", "UPS", 47.0, 6.0),
    Gear("av-amplifier", "AV amplifier", 60.0, 14.0, climb_k=6.0, off_hours=(1, 9)),
)
LOST_MINUTES = (MONDAY + 4 * DAY_MS + 3 * HOUR_MS, 430)
"""From when on, and for how many minutes, the switch's sensor was not heard."""


@dataclass
class Truth:
    """What was measured: for each subject and figure the minutes as arrays."""

    utc_ms: NDArray[np.int64]
    samples: dict[tuple[str, str], Numbers] = field(default_factory=dict)
    """(minutes, 6): NaN where nothing was."""

    def of_week(self, subject: str, figure: str) -> tuple[NDArray[np.int64], Numbers]:
        """Give the minutes of the week that are known, and their samples."""
        values = self.samples[subject, figure]
        known = (
            (self.utc_ms >= MONDAY) & (self.utc_ms < SUNDAY_NIGHT) & np.isfinite(values).any(axis=1)
        )
        return self.utc_ms[known], values[known]


@dataclass(frozen=True)
class Fortnight:
    """A folder with configuration and store, and the truth."""

    path: Path
    config: Config
    truth: Truth

    @property
    def url(self) -> str:
        """The store's URL."""
        return self.config.store.url


def build(folder: Path, mail_port: int = 2525) -> Fortnight:
    """Make configuration and store."""
    path = configure(folder, GEAR, mail_port)
    config = load_config(path)
    put_empty_store(config.store.url)
    truth = measure(GEAR, np.arange(FIRST, NOW, MINUTE_MS, dtype=np.int64))
    with Store.open(database_url(folder / "watch.db")) as store:
        store.commit(journal(config, FIRST))
        store.commit(_alarms())
        write_tiers(store, truth, [Tier.QUARTERS])
        # Nobody looks at the minutes of the week before.
        late = truth.utc_ms >= MONDAY
        lately = Truth(truth.utc_ms[late], {of: each[late] for of, each in truth.samples.items()})
        write_tiers(store, lately, [Tier.MINUTES])
    return Fortnight(path, config, truth)


def configure(folder: Path, gears: Iterable[Gear], mail_port: int) -> Path:
    """Write the configuration; give its path."""
    path = folder / "config.toml"
    sensors = [("hall", "temperature"), ("cabinet-humidity", "humidity")]
    sensors += [(f"{gear.id}-air", "temperature") for gear in gears]
    text = CONFIG.format(mail_port=mail_port)
    text += "".join(_SENSOR.format(name=name, quantity=quantity) for name, quantity in sensors)
    text += "".join(
        _DEVICE.format(
            id=gear.id, name=gear.name, threshold_c=gear.threshold_c, normal_k=gear.normal_k
        )
        for gear in gears
    )
    path.write_text(text)
    return path


def measure(gears: Iterable[Gear], minutes: NDArray[np.int64]) -> Truth:
    """Give what is measured at the minutes that begin at these instants."""
    source = np.random.default_rng(20261116)
    running = (minutes < CUT) | (minutes >= CUT_ENDS)
    truth = Truth(minutes)
    day = 2 * np.pi * (minutes % DAY_MS) / DAY_MS
    progress = (minutes - FIRST) / (SUNDAY_NIGHT - FIRST)

    def keep(subject: str, figure: str, values: Numbers, noise: float, there: Any) -> None:
        spread = source.normal(0.0, noise, (len(minutes), 6)) if noise else np.zeros((1, 6))
        samples = np.asarray(values, dtype=np.float64)[:, None] + spread
        samples[~(running & there)] = np.nan
        truth.samples[subject, figure] = samples

    hall = 20.0 + 1.5 * np.sin(day) + 1.5 * progress
    everywhere = np.ones(len(minutes), dtype=bool)
    keep("hall", "value", hall, 0.05, everywhere)
    keep("cabinet-humidity", "value", 48.0 + 3.0 * np.sin(day), 0.3, everywhere)
    for gear in gears:
        rise = gear.normal_k + gear.climb_k * progress + 0.8 * np.sin(day + 1.0)
        off = np.zeros(len(minutes), dtype=bool)
        if gear.off_hours is not None:
            hour = minutes % DAY_MS // HOUR_MS
            off = (hour >= gear.off_hours[0]) & (hour < gear.off_hours[1])
            rise = np.where(off, 0.3, rise)
        heard = everywhere
        if gear.id == "poe-switch":
            lost_from, count = LOST_MINUTES
            heard = (minutes < lost_from) | (minutes >= lost_from + count * MINUTE_MS)
        settled = rise + source.normal(0.0, 0.2, len(minutes))
        threshold = np.full(len(minutes), gear.threshold_c)
        for figure, values, noise in (
            ("temperature_c", hall + rise, 0.08),
            ("ambient_c", hall, 0.03),
            ("rise_k", rise, 0.08),
            ("settled_rise_k", settled, 0.05),
            ("normal_rise_k", np.full(len(minutes), gear.normal_k), 0.0),
            ("threshold_c", threshold, 0.0),
            ("margin_k", threshold - hall - rise, 0.08),
            ("hot_day_margin_k", threshold - 35.0 - settled, 0.05),
            ("off", off.astype(np.float64), 0.0),
        ):
            keep(gear.id, figure, values, noise, heard)
        keep(f"{gear.id}-air", "value", hall + rise, 0.08, heard)
    return truth


def write_tiers(store: Store, truth: Truth, tiers: Iterable[Tier] = tuple(Tier)) -> None:
    """Write minutes and quarters as one block a subject and day, as the upkeep leaves them."""
    subjects: dict[str, dict[str, Numbers]] = {}
    for (subject, figure), samples in truth.samples.items():
        subjects.setdefault(subject, {})[figure] = samples
    with store._database.writing() as connection:
        for subject, figures in subjects.items():
            for tier in tiers:
                table = TABLES[tier]
                rows = []
                for day, columns in _by_day(truth.utc_ms, figures, tier).items():
                    data = encode_tier_block(columns, tier.width_ms)
                    rows.append(
                        {"subject": subject, "day": day, "t_ms": 0, "is_part": False, "data": data}
                    )
                connection.execute(insert(table), rows)
        mark(connection, derived_seq=10**9)


def _buckets(utc_ms: NDArray[np.int64], samples: Numbers, width_ms: int) -> Iterator[Bucket]:
    known = np.isfinite(samples).any(axis=1)
    table = samples[known]
    begin, first, minutes = np.unique(
        utc_ms[known] // width_ms * width_ms, return_index=True, return_counts=True
    )
    figures = (
        6 * minutes,
        np.add.reduceat(table.mean(axis=1), first) / minutes,
        np.minimum.reduceat(table.min(axis=1), first),
        np.maximum.reduceat(table.max(axis=1), first),
    )
    columns = (each.tolist() for each in (begin, *figures))
    yield from map(Bucket, *columns)


def _by_day(
    utc_ms: NDArray[np.int64], figures: dict[str, Numbers], tier: Tier
) -> dict[int, dict[str, list[Bucket]]]:
    days: dict[int, dict[str, list[Bucket]]] = {}
    for figure, samples in figures.items():
        for bucket in _buckets(utc_ms, samples, tier.width_ms):
            days.setdefault(bucket.utc_ms // DAY_MS, {}).setdefault(figure, []).append(bucket)
    return days


def journal(config: Config, first: int) -> Batch:
    """Give the life of a watch that began at `first`, with the story of the fortnight."""

    def command(t: int, **data: Any) -> Entry:
        return Entry(t, EntryKind.COMMAND, data)

    start = {"offset_ms": 0, "boot_ms": first, "ran_until_ms": None, "version": "0"}
    again = {"offset_ms": 0, "boot_ms": CUT_ENDS, "ran_until_ms": CUT, "version": "0"}
    inputs: list[Reading | Entry] = [
        Entry(first, EntryKind.CONFIG, {"config": config.as_json()}),
        Entry(first, EntryKind.START, start),
        Entry(first + 1000, EntryKind.CONNECT, {"session_present": False}),
        Entry(MONDAY + DAY_MS, EntryKind.OFFSET, {"offset_ms": 0}),
        command(MONDAY + 2 * DAY_MS, command="note", text="Put the lid back on", by="owner"),
        Entry(CUT_ENDS, EntryKind.START, again),
        Entry(CUT_ENDS + 1000, EntryKind.CONNECT, {"session_present": True}),
        Entry(MONDAY + 5 * DAY_MS, EntryKind.DISCONNECT, {"reason": "gone"}),
        Entry(MONDAY + 5 * DAY_MS + 120_000, EntryKind.CONNECT, {"session_present": True}),
        command(SATURDAY, command="service-out", subject="ups", reason="battery is being changed"),
    ]
    return Batch(NOW, 0, inputs)


def _alarms() -> Batch:
    told = sorted([*_amplifier(), *_silence(), *_humidity(), *_service()], key=lambda each: each.t)
    notices = [_notice(number, each) for number, each in enumerate(told) if each.is_raise]
    outcomes = [
        Outcome(
            notice.id,
            "delivered",
            notice.t + (400_000 if number == 0 else 4_000),
            1,
            recipients_done=("owner@under-stairs.example",),
        )
        for number, notice in enumerate(notices)
    ]
    return Batch(NOW, 0, transitions=told, notices=notices, outcomes=outcomes)


def _amplifier() -> Iterator[Transition]:
    """It stands since Friday, acknowledged after two hours."""
    raised = transition(
        "amp00001",
        FRIDAY_EVENING,
        _UNACKNOWLEDGED,
        _NORMAL,
        subject="av-amplifier",
        condition="cooling-loss",
        text="AV amplifier: settled rise 19.0 K, normal 14.0 K.",
    )
    seen = FRIDAY_EVENING + 2 * HOUR_MS
    yield raised
    yield replace(raised, t=seen, utc_ms=seen, state=_ACKNOWLEDGED, previous=_UNACKNOWLEDGED)


def _silence() -> Iterator[Transition]:
    """The switch's sensor falls silent and comes back; nobody acknowledges it."""
    lost_from, count = LOST_MINUTES
    raised = transition(
        "sil00001",
        lost_from + MINUTE_MS,
        _UNACKNOWLEDGED,
        _NORMAL,
        subject="poe-switch-air",
        condition="silent",
    )
    back = lost_from + count * MINUTE_MS
    yield raised
    yield replace(raised, t=back, utc_ms=back, state=_RETURNED, previous=_UNACKNOWLEDGED)


def _humidity() -> Iterator[Transition]:
    """It swings around its limit: ten times for five minutes, every ten minutes."""
    raised = transition(
        "hum00001",
        TUESDAY_EVENING,
        _UNACKNOWLEDGED,
        _NORMAL,
        subject="cabinet-humidity",
        condition="high",
        priority=Priority.MEDIUM,
    )
    before = _NORMAL
    for number in range(10):
        t = TUESDAY_EVENING + number * 600_000
        yield replace(raised, t=t, utc_ms=t, previous=before)
        t += 300_000
        yield replace(raised, t=t, utc_ms=t, state=_RETURNED, previous=_UNACKNOWLEDGED)
        before = _RETURNED
    t = TUESDAY_EVENING + 3 * HOUR_MS
    yield replace(raised, t=t, utc_ms=t, state=_NORMAL, previous=_RETURNED)


def _service() -> Iterator[Transition]:
    """The UPS is out of service since Saturday."""
    for condition in ("over-derating", "cooling-loss"):
        yield transition(
            f"ups-{condition[:4]}",
            SATURDAY,
            AlarmState.OUT_OF_SERVICE,
            _NORMAL,
            subject="ups",
            condition=condition,
        )


def transition(
    alarm_id: str,
    t: int,
    state: AlarmState,
    previous: AlarmState,
    *,
    subject: str = "nas",
    condition: str = "over-derating",
    text: str = "It is so.",
    priority: Priority = Priority.HIGH,
) -> Transition:
    """One transition of the story."""
    return Transition(
        t=t,
        utc_ms=t,
        id=alarm_id,
        site="under-stairs cabinet",
        subject=subject,
        condition=condition,
        state=state,
        previous=previous,
        priority=priority,
        text=text,
        values={"since": None},
        cause=subject,
        response="Look at its fan, with the device off.",
    )


def _notice(number: int, told: Transition) -> Notice:
    return Notice(
        id=f"n-{number}",
        channel="email",
        kind="raise",
        t=told.t,
        utc_ms=told.utc_ms,
        transitions=(told,),
        message_id=f"<n-{number}@under-stairs.example>",
    )
