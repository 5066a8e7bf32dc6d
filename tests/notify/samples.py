"""Configurations and transitions for the tests of notices, all from the under-stairs cabinet."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from cabinetwatch.config import Config, parse
from cabinetwatch.notify.mail import predicate
from cabinetwatch.text import from_rfc3339, to_rfc3339
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import Account, AlarmState, Message, Priority, Step, Transition
from cabinetwatch.watch.incidents import plain_account

NOON_MS = from_rfc3339("2026-07-01T12:00:03Z")
"""13:00:03 at the site, in summer time."""

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

EMAIL = """
[notify.email]
host = "127.0.0.1"
port = {port}
security = "none"
from = "{sender}"
to = {to}
priorities = {priorities}
"""

SITE = """
[site]
name = "{site}"
timezone = "Europe/Dublin"

[sensors.nas-air]
topic = "cabinet/nas"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[sensors.room-air]
topic = "cabinet/room"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[devices.nas]
name = "{nas}"
temperature = "nas-air"
ambient = "room-air"
derating = [[45.0, 1.0], [60.0, 0.5]]

[devices.av-amplifier]
name = "AV amplifier"
temperature = "nas-air"
ambient = "room-air"
max_rise_k = 25.0
"""


def make_config(
    extra: str = "",
    *,
    notify: str = "",
    port: int = 25,
    to: tuple[str, ...] = ("owner@under-stairs.example",),
    sender: str = "watch@under-stairs.example",
    priorities: tuple[str, ...] = ("high", "medium", "low"),
    site: str = "Under-stairs cabinet",
    nas: str = "NAS",
    email: str | None = EMAIL,
) -> Config:
    """Make a configuration that mails to `to`; `notify` is put into the table [notify]."""
    text = SITE.format(site=site, nas=nas) + "\n[notify]\n" + notify
    if email is not None:
        text += email.format(
            port=port, sender=sender, to=list(to), priorities=list(priorities)
        ).replace("'", '"')
    return parse(text + extra, Path("/nowhere/config.toml"), SPECS)


def transition(
    state: AlarmState = UNACKNOWLEDGED,
    previous: AlarmState = NORMAL,
    *,
    t: int = NOON_MS,
    utc_ms: int | None = None,
    occurrence: str = "nas-over-derating-1",
    subject: str = "nas",
    condition: str = "over-derating",
    priority: Priority = Priority.HIGH,
    text: str = "NAS: its air is at 61.2 °C, 8.9 K above its derating threshold of 52.3 °C.",
    values: Mapping[str, Any] | None = None,
    cause: str | None = None,
    likely: str = "It runs hotter than its maker allows at this load.",
    response: str = "Take load off or switch the device off now. Then give it air.",
    site: str = "Under-stairs cabinet",
) -> Transition:
    """Make a transition; by default the NAS gets too hot at noon."""
    figures: dict[str, Any] = {
        "temperature_c": 61.2,
        "ambient_c": 24.1,
        "rise_k": 37.1,
        "power_w": 42.6,
        "load_fraction": 0.71,
        "fan_rpm": None,
        "threshold_c": 52.3,
        "margin_k": -8.9,
        "off": False,
        "since": to_rfc3339(t - 60_000),
    }
    return told_of(
        Transition(
            t=t,
            utc_ms=t if utc_ms is None else utc_ms,
            id=occurrence,
            site=site,
            subject=subject,
            condition=condition,
            state=state,
            previous=previous,
            priority=priority,
            text=text,
            values=figures if values is None else values,
            cause=cause or f"{subject}/{condition}",
            likely=likely,
            response=response,
        )
    )


def told_of(alone: Transition) -> Transition:
    """Give a raise or a return the message of an incident that is this alarm alone."""
    step = Step.OPENED if alone.is_raise else Step.OVER if alone.is_return else None
    if step is None:
        return replace(alone, message=None)
    return replace(alone, message=Message(step, account(alone), (alone,)))


def account(alone: Transition, **changes: Any) -> Account:
    """Give the account of an incident that is this alarm alone, with what is `changed` in it."""
    called = {"nas": "NAS", "av-amplifier": "AV amplifier"}.get(alone.subject, alone.subject)
    plain = plain_account(alone)
    over = {"now": "The air leaving it is below its derating threshold."} if alone.is_return else {}
    return replace(
        plain,
        **{"headline": f"{called}: {predicate(alone)}", "now": "It is hot.", **over} | changes,
    )


def returned(raised: Transition, *, after_s: float = 600) -> Transition:
    """Give the return of a raise, nobody having acknowledged it."""
    later_ms = round(after_s * 1000)
    return told_of(
        replace(
            raised,
            t=raised.t + later_ms,
            utc_ms=raised.utc_ms + later_ms,
            state=RETURNED,
            previous=UNACKNOWLEDGED,
            text="NAS: its air is back to 47.0 °C, 5.3 K below its derating threshold of 52.3 °C.",
        )
    )
