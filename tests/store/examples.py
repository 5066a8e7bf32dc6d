"""Readings, transitions and notices that the tests of the store write down."""

from typing import Any

from cabinetwatch.store.records import Batch, Notice
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Priority, Reading, Transition

T0 = 1_782_900_000_000
"""A summer morning of 2026, in ms."""


def batch(
    *inputs: Reading | Entry, advanced_to: int = T0, offset_ms: int = 0, **rest: Any
) -> Batch:
    return Batch(advanced_to, offset_ms, list(inputs), **rest)


def reading(sensor: str = "nas-air", t: int = T0, value: float = 31.25) -> Reading:
    return Reading(sensor, t, value)


def start(offset_ms: int, t: int = T0) -> Entry:
    return Entry(t, EntryKind.START, {"offset_ms": offset_ms})


def transition(
    number: int = 1,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    previous: AlarmState = AlarmState.NORMAL,
    *,
    subject: str = "nas",
    condition: str = "over-derating",
    t: int = T0,
) -> Transition:
    return Transition(
        t=t,
        utc_ms=t,
        id=f"{subject}-{condition}-{number}",
        site="Under the stairs",
        subject=subject,
        condition=condition,
        state=state,
        previous=previous,
        priority=Priority.HIGH,
        text="NAS: 47.3 °C, above its 45.0 °C",
        values={"temperature_c": 47.3, "margin_k": -2.3, "since": "2026-07-01T10:00:00.000Z"},
        cause="nas",
        likely="a stalled fan",
        response="look at the fan",
    )


def notice(number: int = 1, *transitions: Transition, utc_ms: int = T0) -> Notice:
    return Notice(
        id=f"n-{number}",
        channel="email",
        kind="raise",
        t=T0,
        utc_ms=utc_ms,
        transitions=transitions or (transition(),),
        message_id=f"<n-{number}@cabinet.example>",
    )
