"""Conditions on the watch itself.

What each method is for stands with `Condition`.
"""

# ruff: noqa: D102

from collections.abc import Mapping
from typing import Any

from pydantic import Field

from cabinetwatch.config.model import AlarmSettings
from cabinetwatch.text import counted, describe_duration, printable
from cabinetwatch.watch.conditions.base import (
    SiteCondition,
    TimeToRespond,
    listed,
    with_defaults,
)
from cabinetwatch.watch.conditions.sensor import AmbientLost, Silent, Stuck
from cabinetwatch.watch.events import DEADLINE, Entry, EntryKind, Refusal
from cabinetwatch.watch.site import HOLDS_AFTER_MS, TAKEN_FOR_MS

_HOLDS = describe_duration(HOLDS_AFTER_MS / 1000)


class BrokerLost(SiteCondition):
    """Raised when the running watch has been without its broker for the on-delay.

    A connection that breaks before it has held ends no absence: the on-delay runs on from the last
    one that held. The first to come back is trusted all the same for as long as it may take to
    hold, so that an absence shorter than the on-delay raises nothing.
    """

    name = "broker-lost"
    predicate = "cut off from its broker"
    over = "connected to its broker again"
    Settings = with_defaults(AlarmSettings, priority="high", on_delay_s=60.0)
    hides = (Silent, Stuck, AmbientLost)
    consequence = "no device is watched"
    time_to_respond = TimeToRespond.HOUR
    likely = "The broker, its machine or the network is down, or the broker refuses the watch."
    response = (
        "Check that the broker runs and can be reached; cabinetwatch check says what it answers."
        " Until it is back no device is watched."
    )

    @property
    def cause(self) -> str:
        """All that ails the connection is one event."""
        return "site/broker"

    @property
    def explains_at(self) -> tuple[str, ...]:
        """All sensors and devices: what nobody can know without it."""
        return ()

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the connection; a watch that does not run can't know."""
        site = self.site
        if not site.running:
            return None
        return not (site.connection.held if active else site.connection.back)

    @property
    def on_delay_s(self) -> float:
        """What is left of the delay when it is found that the connection doesn't hold."""
        connection = self.site.connection
        if connection.away_t is None or connection.flapped_t is None:
            return self.settings.on_delay_s
        gone_by_s = (connection.flapped_t - connection.away_t) / 1000
        return max(0.0, self.settings.on_delay_s - gone_by_s)

    def began(self, pending_t: int) -> int:
        """It began when the last connection that held was lost."""
        away_t = self.site.connection.away_t
        return pending_t if away_t is None else min(pending_t, away_t)

    def seen(self) -> str:
        connection = self.site.connection
        why = f": {connection.reason}" if connection.reason else ""
        if connection.broken:
            times = counted(connection.broken, "time")
            return (
                "The watch's connection to its MQTT broker does not hold: it broke again within"
                f" {_HOLDS} of being made, {times} so far{why}."
            )
        if connection.up:
            return (
                "The watch is connected to its MQTT broker, but the connection has not held for"
                f" {_HOLDS} yet{why}."
            )
        return f"The watch has no connection to its MQTT broker{why}."

    def gone(self) -> str:
        return "The watch is connected to its MQTT broker again."

    def values(self) -> dict[str, Any]:
        connection = self.site.connection
        return {"reason": connection.reason, "broken_connections": connection.broken}


class SessionTaken(SiteCondition):
    """Raised when the broker says so, or closes two connections in a row before they have held.

    Of two clients with one ID the broker lets in the one that came last (MQTT 5.0, 3.1.4-3), and in
    3.1.1 (3.1.4-2) it may not say why it sends the other away. It returns once nobody has taken the
    session for five minutes.
    """

    name = "session-taken"
    predicate = "sharing its client ID with another client"
    over = "the only one with its client ID again"
    Settings = with_defaults(AlarmSettings, priority="high")
    hides = (BrokerLost,)
    misses_readings = True
    consequence = "the watch hears only part of what is sent: alarms come late or not at all"
    time_to_respond = TimeToRespond.HOUR
    likely = (
        "A second watch runs with this configuration, or with a copy of this store and its"
        " .client-id file; or another program or node was given this client ID."
    )
    response = (
        "Stop the second watch, or give each client of the broker its own client_id (in [mqtt])."
        " The broker's log names the address that the other one comes from. To rule it out for"
        " good, have the broker bind client IDs to users (deploy/mosquitto/users.md)."
    )

    @property
    def cause(self) -> str:
        """All that ails the connection is one event."""
        return "site/broker"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the signs of it; a watch that does not run can't know."""
        site = self.site
        if not site.running:
            return None
        taken_t = site.connection.taken_t
        taken = taken_t is not None and site.connection.is_taken(t)
        self.due = taken_t + TAKEN_FOR_MS if taken_t is not None and taken else None
        return taken

    def seen(self) -> str:
        connection = self.site.connection
        surely = "uses" if connection.told_taken else "seems to use"
        return (
            f"Another client {surely} the watch's client ID {connection.client_id}: each throws the"
            " other off the broker, so that alarms may come late or not at all."
        )

    def gone(self) -> str:
        span = describe_duration(TAKEN_FOR_MS / 1000)
        return f"No other client has taken the watch's session for {span}."

    def values(self) -> dict[str, Any]:
        return {"client_id": self.site.connection.client_id}


class StoreFault(SiteCondition):
    """Raised when a write to the store fails or takes too long."""

    name = "store-fault"
    predicate = "unable to write its records"
    over = "able to write its records again"
    Settings = with_defaults(AlarmSettings, priority="medium")
    consequence = "a restart forgets what could not be written; alarms still come"
    time_to_respond = TimeToRespond.DAY
    response = (
        "Make room or replace the card; the system log names the error. Meanwhile the watch reports"
        " alarms from memory, but a restart would forget what could not be written."
    )

    @property
    def suspicion(self) -> str:
        if self.site.store_set_aside:
            return "The disk or SD card is worn out, or lost power while it wrote."
        return "The disk or SD card is full, worn out or read-only, or another program locks it."

    @property
    def remedy(self) -> str:
        """What to do: about a damaged store the watch itself has done what can be done."""
        if self.site.store_set_aside:
            return (
                "The watch goes on with a new store. Replace a card that is old, and keep a backup:"
                " cabinetwatch restore FILE puts one in place."
            )
        return self.response

    def judge(self, t: int, active: bool) -> bool | None:
        return self.site.store_error is not None

    def seen(self) -> str:
        site = self.site
        lost = f"; {_readings(site.readings_lost)} given up" if site.readings_lost else ""
        error = (site.store_error or "").removesuffix(".")
        if site.store_set_aside:
            return f"{error}."
        return f"The watch can't keep its records: {error[:1].lower()}{error[1:]}{lost}."

    def gone(self) -> str:
        site = self.site
        if site.store_note:
            return f"The watch goes on with a new store; {site.store_note}."
        lost = site.readings_lost
        so = f"; {_readings(lost)} lost" if lost else "; nothing was lost"
        return f"The watch can keep its records again{so}."

    def values(self) -> dict[str, Any]:
        site = self.site
        return {"error": site.store_error, "readings_lost": site.readings_lost}


def _readings(count: int) -> str:
    return f"{counted(count, 'reading')} {'was' if count == 1 else 'were'}"


class NoticeUndelivered(SiteCondition):
    """Raised at once when a server refuses for good, after the on-delay when it can't be had."""

    name = "notice-undelivered"
    predicate = "unable to deliver its notices"
    over = "able to deliver its notices again"
    Settings = with_defaults(AlarmSettings, priority="medium", on_delay_s=300.0)
    # Not high: what must wake somebody still does by a channel that works, and where none does a
    # higher priority would reach nobody either.
    consequence = "nobody is notified by that channel"
    time_to_respond = TimeToRespond.DAY
    likely = (
        "The mail server is down or refuses the watch, a password has changed, or the clock is"
        " wrong."
    )
    response = (
        "Run cabinetwatch check --send and correct what it names. Waiting notices go out by"
        " themselves once the channel works; one refused for good does not: cabinetwatch alarms"
        " shows what has happened meanwhile."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        return bool(self.site.failing)

    @property
    def on_delay_s(self) -> float:
        """No delay once any refusal is final."""
        if any(final for _, final in self.site.failing.values()):
            return 0.0
        return self.settings.on_delay_s

    def seen(self) -> str:
        # Of what mails everybody, a server that is away is one trouble.
        by_error: dict[str, list[str]] = {}
        for channel, (error, _) in sorted(self.site.failing.items()):
            by_error.setdefault(error, []).append(self.model.config.notify.called(channel))
        faults = "; ".join(f"{listed(names)}: {error}" for error, names in by_error.items())
        return f"Notices can't be delivered by {faults}." if faults else self.gone()

    def gone(self) -> str:
        return "Notices are delivered again."

    def values(self) -> dict[str, Any]:
        return {"channels": {name: error for name, (error, _) in self.site.failing.items()}}


class InputRefusedSettings(AlarmSettings):
    """Keys of `[alarms.input-refused]`."""

    priority: str | None = "medium"
    on_delay_s: float = 10.0
    quiet_for_s: float = Field(
        3600.0, gt=0, description="the seconds, above 0, without any after which it returns"
    )


class InputRefused(SiteCondition):
    """Raised some seconds after the first, so that a burst is told with its number.

    It returns once there has been none for long.
    """

    name = "input-refused"
    predicate = "setting aside what it can't judge"
    consequence = "what was set aside is not watched"
    time_to_respond = TimeToRespond.DAY
    over = "judging everything it hears again"
    Settings = InputRefusedSettings
    settings: InputRefusedSettings
    likely = (
        "A node sends something that this version of the watch can't judge: a fault of the watch."
    )
    response = (
        "Check what the sensor sends, and report the line of the system log. Nothing else is held"
        " up by it; a sensor that sends nothing else is reported as silent."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """True until there has been none for so long."""
        refusals = self.site.refusals
        last = refusals.last
        if last is None:
            return False
        until_t = last.t + round(self.settings.quiet_for_s * 1000)
        if t >= until_t:
            refusals.forget()
            return False
        self.due = until_t
        return True

    def seen(self) -> str:
        """Name the newest, with its value, and how many there were of it and of others."""
        refused = self.site.refusals.all
        if not refused:
            return "Something could not be judged and was set aside; the watch goes on."
        last = refused[-1]
        others = sum(each.messages for each in refused[:-1])
        more = f", and {others} of others" if others else ""
        what = f"{counted(last.messages, last.what)} of {self._named(last)} could not be judged and"
        were = "was" if last.messages == 1 else "were"
        if last.what == DEADLINE:
            return (
                f"{what} {were} passed over{more}: what it would have raised or ended keeps its"
                " state. The watch goes on."
            )
        last_said = printable(last.excerpt)
        return (
            f"{what} {were} set aside{more}; the last said {last_said}. The watch goes on without."
        )

    def _named(self, refusal: Refusal) -> str:
        sensor = self.model.config.sensors.get(refusal.subject) if refusal.sensor else None
        name = self._called(refusal)
        return name if sensor is None else f"{name} (topic {printable(sensor.topic)})"

    def _called(self, refusal: Refusal) -> str:
        name = self.model.config.name_of(refusal.subject) if refusal.sensor else refusal.subject
        return printable(name)

    def gone(self) -> str:
        span = describe_duration(self.settings.quiet_for_s)
        return f"Nothing has had to be set aside for {span}."

    def values(self) -> dict[str, Any]:
        """Each subject with its newest refusal, in words: a mail shows it as it is."""
        return {
            "refused": "; ".join(
                f"{self._called(each)}: {counted(each.messages, each.what)}, the last"
                f" {printable(each.excerpt)} ({printable(each.error)})"
                for each in self.site.refusals.all
            )
        }


class ClockStepSettings(AlarmSettings):
    """Keys of `[alarms.clock-step]`."""

    priority: str | None = "low"
    larger_than_s: float = Field(
        60.0, gt=0, description="the step in seconds, above 0, that is worth telling"
    )


class ClockStep(SiteCondition):
    """Raised by a step of the wall clock; returns at once and needs no acknowledgement."""

    name = "clock-step"
    predicate = "on a clock that was stepped"
    over = "on the new time"
    Settings = ClockStepSettings
    settings: ClockStepSettings
    momentary = True
    consequence = "times of records and notices were wrong before it"
    time_to_respond = TimeToRespond.WEEKS
    likely = "The machine has no battery clock and has just got the time, or somebody set it."
    response = "Nothing, if the machine has just started; else check that its time service works."

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._step_ms = 0
        self._stepped = False

    def hear(self, entry: Entry) -> None:
        if entry.kind is EntryKind.OFFSET:
            self._step_ms = int(entry.data["offset_ms"]) - self.site.offset_ms
            self._stepped = abs(self._step_ms) > self.settings.larger_than_s * 1000

    def judge(self, t: int, active: bool) -> bool | None:
        """True once for each step."""
        stepped, self._stepped = self._stepped, False
        return stepped

    def seen(self) -> str:
        way = "forward" if self._step_ms > 0 else "back"
        return (
            f"The clock was put {way} by {describe_duration(abs(self._step_ms) / 1000)}; the watch"
            " goes on."
        )

    def gone(self) -> str:
        """It is over as soon as it is told."""
        return "The watch has taken over the new time."

    def values(self) -> dict[str, Any]:
        return {"step_s": self._step_ms / 1000}

    def save(self) -> dict[str, Any]:
        return {"step_ms": self._step_ms}

    def load(self, state: Mapping[str, Any]) -> None:
        self._step_ms = state["step_ms"]
