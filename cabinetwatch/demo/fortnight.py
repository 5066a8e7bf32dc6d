"""Two weeks in the simulated cabinet, for a weekly summary and a page: what happens, and when."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.demo.cabinet import MAX_STEP_S, Cabinet
from cabinetwatch.demo.household import under_stairs
from cabinetwatch.demo.instruments import Instruments, instrument
from cabinetwatch.times import from_datetime, to_datetime

SEED = 7
INTERVAL_S = 60
DUST_PER_DAY = 0.012
"""Of the remaining air flow; more than a house has, so that a fortnight shows it."""

SIMULATED = (
    "All figures of these weeks are simulated by cabinetwatch demo: no sensor, house or person is"
    " real."
)
_BY = "household (simulated)"
_DAYS = 14
_SUMMARY_HOUR, _SUMMARY_MINUTE = 7, 0
_HOT_DAYS = (10, 11)
_HOT_BY_K = 4.0


class Deed(NamedTuple):
    """What a person did: a command to the watch.

    Where it is about an alarm, `alarm` names that by subject and condition, because its id is the
    watch's own.
    """

    command: dict[str, Any]
    alarm: tuple[str, str] | None = None


class Moment(NamedTuple):
    """What was measured at an instant, by sensor, and what people did then."""

    utc_ms: int
    values: dict[str, float]
    deeds: list[Deed]


class _Life:
    """The cabinet over the fortnight, and the hands that act on it."""

    def __init__(self) -> None:
        self.cabinet: Cabinet = under_stairs(
            start_hour=0.0, seed=SEED, dust_per_day=DUST_PER_DAY, step_s=MAX_STEP_S
        )
        self.instruments: Instruments = instrument(self.cabinet, SEED)
        self._usual = self.cabinet.surroundings

    def stall_fan(self, *, stalled: bool) -> None:
        self.cabinet.devices["nas"].fan_stalled = stalled

    def kill_probe(self, *, dead: bool) -> None:
        self.instruments.probes["ups-air"].dead = dead

    def open_door(self, *, opened: bool) -> None:
        self.cabinet.door_open = opened

    def weather(self) -> None:
        """Warm the hall on the hot days, and cool it down again in the nights around them."""
        day = self.cabinet.elapsed_s / 86_400
        first, last = _HOT_DAYS[0], _HOT_DAYS[-1] + 1
        inside = min(day - first + 0.5, last + 0.5 - day)
        share = 0.5 - 0.5 * math.cos(math.pi * min(1.0, max(0.0, inside)))
        mean_c = self._usual.hall_mean_c + _HOT_BY_K * share
        self.cabinet.surroundings = replace(self._usual, hall_mean_c=mean_c)


@dataclass(frozen=True)
class _Event:
    """Something that happens on a day (0 to 13) at an hour, and what the household tells of it."""

    day: int
    hour: float
    do: Callable[[_Life], None] | None = None
    deed: Deed | None = None

    @property
    def at_s(self) -> float:
        return self.day * 86_400.0 + self.hour * 3600.0


def _note(text: str) -> Deed:
    return Deed({"command": "note", "text": text, "by": _BY})


def _acknowledged(subject: str, condition: str) -> Deed:
    return Deed({"command": "ack", "by": _BY}, (subject, condition))


_EVENTS = (
    _Event(0, 0.1, deed=_note(SIMULATED)),
    _Event(5, 15.0, lambda life: life.open_door(opened=True)),
    _Event(5, 15.3, lambda life: life.open_door(opened=False)),
    _Event(7, 0.1, deed=_note(SIMULATED)),
    _Event(8, 20.25, lambda life: life.stall_fan(stalled=True)),
    _Event(8, 20.4, deed=_acknowledged("nas", "fan-slow")),
    _Event(8, 20.4, deed=_acknowledged("nas", "over-derating")),
    _Event(
        8,
        20.75,
        lambda life: life.stall_fan(stalled=False),
        _note("A cable had fallen into the fan of the NAS; tied it back from outside"),
    ),
    _Event(12, 10.0, lambda life: life.kill_probe(dead=True)),
    _Event(
        12,
        13.5,
        lambda life: life.kill_probe(dead=False),
        _note("Changed the cell of the sensor at the UPS"),
    ),
    _Event(13, 11.0, deed=_note("The dust filter of the NAS looks grey")),
)


def end_utc_ms(now_utc_ms: int, time_zone: str) -> int:
    """Give the last Monday at seven, by the household's clock, that is past: its summary is due."""
    now = to_datetime(now_utc_ms).astimezone(ZoneInfo(time_zone))
    monday = (now - timedelta(days=now.weekday())).replace(
        hour=_SUMMARY_HOUR, minute=_SUMMARY_MINUTE, second=0, microsecond=0
    )
    # Wall-clock arithmetic within one zone.
    return from_datetime(monday if monday <= now else monday - timedelta(days=7))


def start_utc_ms(ends_utc_ms: int, time_zone: str) -> int:
    """Give the Monday, at midnight by the household's clock, two weeks before it ends."""
    end = to_datetime(ends_utc_ms).astimezone(ZoneInfo(time_zone))
    day = end.date() - timedelta(days=_DAYS)
    return from_datetime(datetime(day.year, day.month, day.day, tzinfo=end.tzinfo))


def moments(from_utc_ms: int, to_utc_ms: int) -> Iterator[Moment]:
    """Live through the fortnight: a moment every `INTERVAL_S`, the same whenever it is asked for.

    Args:
        from_utc_ms: the first midnight.
        to_utc_ms: no moment lies after it.
    """
    life, waiting = _Life(), list(_EVENTS)
    probes = life.instruments.probes.items()
    for number in range(1, (to_utc_ms - from_utc_ms) // (INTERVAL_S * 1000) + 1):
        life.weather()
        life.cabinet.advance(INTERVAL_S)
        deeds = []
        while waiting and waiting[0].at_s <= life.cabinet.elapsed_s:
            event = waiting.pop(0)
            if event.do is not None:
                event.do(life)
            if event.deed is not None:
                deeds.append(event.deed)
        read = {sensor: probe.read() for sensor, probe in probes}
        values = {sensor: value for sensor, value in read.items() if value is not None}
        yield Moment(from_utc_ms + number * INTERVAL_S * 1000, values, deeds)
