"""What all that people read shares: times, figures, the operator log, and how things are now.

What is on is shown by the accounts of its incidents. `Present` says only what no account can know:
whether the watch runs and hears, of when the figures are, and what is hidden.
"""

import base64
import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from cabinetwatch.config.model import SITE_SUBJECT, Config, Device
from cabinetwatch.notify.mail import account_alone, display_names, predicate
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.replay import Snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.text import (
    beside,
    counted,
    describe_duration,
    from_rfc3339,
    local_time,
    printable,
)
from cabinetwatch.watch.conditions.base import listed
from cabinetwatch.watch.events import Account, AlarmState, Entry, EntryKind, Transition
from cabinetwatch.watch.trials import TrialBook

UNKNOWN = "—"
_MINUTE_MS = 60_000

STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
"""What people see is on; the rest is over, or hidden."""

FOLDER = Path(__file__).parent / "templates"


def policy_hash(text: str) -> str:
    """Give what a policy calls a style or script by (CSP Level 3, section 2.3.1)."""
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def short_time(utc_ms: int, timezone: str, form: str = "%a %-d %b %H:%M") -> str:
    """Write an instant as the site's clocks show it, e.g. Wed 25 Nov 13:42."""
    return local_time(utc_ms, timezone, form)


def from_to(from_utc_ms: int, to_utc_ms: int, timezone: str) -> str:
    """Write an interval, the day only once: Wed 25 Nov 13:42 to 14:10."""
    return f"{short_time(from_utc_ms, timezone)} to {beside(to_utc_ms, from_utc_ms, timezone)}"


def about(span: tuple[int, int], timezone: str) -> str:
    """Say when a figure was measured of which only a stretch is known: it is no instant.

    >>> about((1795811400000, 1795811460000), "UTC"), about((1795811400000, 1795812300000), "UTC")
    ('about Fri 27 Nov 20:30', 'Fri 27 Nov, between 20:30 and 20:45')
    """
    from_utc_ms, to_utc_ms = span
    if to_utc_ms - from_utc_ms <= _MINUTE_MS:
        return f"about {short_time(from_utc_ms, timezone)}"
    day, start = (short_time(from_utc_ms, timezone, form) for form in ("%a %-d %b", "%H:%M"))
    return f"{day}, between {start} and {short_time(to_utc_ms, timezone, '%H:%M')}"


def first_sign(transition: Transition) -> int:
    """Give the instant (UTC in ms) at which what a transition tells began: before its delays."""
    since = transition.values.get("since")
    return transition.utc_ms if since is None else min(transition.utc_ms, from_rfc3339(since))


def number(value: float | None, convert: Callable[[float], float], otherwise: str = UNKNOWN) -> str:
    """Write a figure in another unit, without naming that; a dash for what is unknown."""
    return known(value, lambda value: f"{convert(value):z.1f}", otherwise)


def known(value: float | None, write: Callable[[float], str], otherwise: str = UNKNOWN) -> str:
    """Write a figure in some way; a dash for what is unknown."""
    return otherwise if value is None else write(value)


def times(count: int) -> str:
    """Say how often.

    >>> times(0), times(1), times(2), times(3)
    ('never', 'once', 'twice', '3 times')
    """
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def subjects_of(device_id: str, device: Device | None) -> set[str]:
    """Give a device and the sensors that belong to it; one that is gone has none."""
    if device is None:
        return {device_id}
    sensors = {device.temperature, device.ambient, device.fan, device.sound, *device.power}
    return {device_id} | {sensor for sensor in sensors if sensor is not None}


class LogEntry(NamedTuple):
    """Something that somebody did to a subject, or to the whole cabinet (None)."""

    utc_ms: int
    subject: str | None
    text: str


def operator_log(store: Store) -> list[LogEntry]:
    """Give what the journal knows of people's hands on the cabinet, oldest first."""
    offset_ms = 0
    book = TrialBook()
    log = []
    for _, entry in store.entries(EntryKind.START, EntryKind.OFFSET, EntryKind.COMMAND):
        if entry.kind is not EntryKind.COMMAND:
            offset_ms = entry.data["offset_ms"]
        elif str(entry.data.get("command")).startswith("trial-"):
            log += _phase(entry.data, entry.t + offset_ms, book)
        else:
            log += _done(entry, offset_ms)
    # A note may tell of what was done long before.
    return sorted(log, key=lambda each: each.utc_ms)


def entries_about(
    subjects: set[str], log: Iterable[LogEntry], from_utc_ms: int, to_utc_ms: int
) -> list[LogEntry]:
    """Give what was done to some subjects or to the whole cabinet in an interval."""
    return [
        each
        for each in log
        if from_utc_ms <= each.utc_ms < to_utc_ms
        and (each.subject is None or each.subject in subjects)
    ]


def _phase(command: Mapping[str, Any], utc_ms: int, book: TrialBook) -> list[LogEntry]:
    """Let the book tell of which device a phase is, and whether the watch refused it."""
    try:
        # Every device is known here: what the watch refused for another reason is refused too.
        book.take(command, {str(command.get("device")): None}, utc_ms)
    except ValueError:
        return []
    if command["command"] != "trial-phase":
        return []
    trial = book.trials[str(command["trial"])]
    return [LogEntry(utc_ms, trial.device, f"trial {trial.name}: {command['phase']}")]


def _done(entry: Entry, offset_ms: int) -> list[LogEntry]:
    command, utc_ms = entry.data, entry.t + offset_ms
    acts = {"service-out": "taken out of service", "service-in": "back in service"}
    if command.get("command") == "note":
        words = str(command.get("text", ""))
    elif (act := acts.get(str(command.get("command")))) is not None:
        reason = command.get("reason")
        words = f"{command.get('subject')} {act}" + (f": {reason}" if reason else "")
    else:
        return []
    with suppress(ValueError):
        # A note may say itself when it was.
        utc_ms = min(utc_ms, from_rfc3339(str(command.get("at"))))
    subject = command.get("subject") or command.get("device")
    return [LogEntry(utc_ms, subject, printable(words))]


# How things are now.

_HIDDEN = (AlarmState.OUT_OF_SERVICE, AlarmState.SHELVED, AlarmState.SUPPRESSED)


class Headline(NamedTuple):
    """How things are, in a few words, and why. `tone` is a priority's value or "well"."""

    tone: str
    words: str
    detail: str


class Hidden(NamedTuple):
    """An alarm that is hidden, or a subject that is out of service with all of its alarms."""

    words: str
    state: AlarmState
    since_ms: int
    alarms: tuple[Transition, ...]

    @property
    def is_out(self) -> bool:
        """Whether it is a subject out of service: none of its alarms need be on."""
        return self.state is AlarmState.OUT_OF_SERVICE


class Told(NamedTuple):
    """What an alarm said when it came into its state: true of that instant, and of no other."""

    when: str
    text: str


@dataclass(frozen=True, slots=True)
class Present:
    """The incidents of a snapshot in the order in which they are shown, and what bears on them.

    `trouble` is why nothing new is heard, or not all of it. `as_of_ms` is the instant of the newest
    figures; where they `are_old` no surface shows them as the present.
    """

    snapshot: Snapshot
    trouble: Headline | None
    as_of_ms: int | None
    are_old: bool
    on: list[Account]
    over: list[Account]
    hidden: list[Hidden]

    @property
    def headline(self) -> Headline:
        """How things are: what ails the watch itself comes first, then the worst that is on."""
        if self.trouble is None:
            return _headline(self.on, self.over, self.hidden, self._unheard)
        if not self.on:
            return self.trouble
        on = _headline(self.on, self.over, self.hidden, self._unheard).words
        return self.trouble._replace(words=f"{self.trouble.words}; {on}")

    @property
    def _unheard(self) -> list[str]:
        """The sensors of which nothing was ever heard: an alarm says so only after a while."""
        return [each["name"] for each in self.snapshot.sensors.values() if each["time"] is None]

    def is_last_known(self, account: Account) -> bool:
        """Whether an account can only say how things were; of itself a running watch knows."""
        of_itself = self.snapshot.running and set(account.subjects) == {SITE_SUBJECT}
        return self.are_old and not of_itself

    def told(self, account: Account, now_ms: int, zone: str) -> list[Told]:
        """Give what the alarms of an account said when each came into its state, oldest first.

        Of a device that somebody took out of service all say the same.
        """
        told = [each for each in self.snapshot.standing if each.id in account.alarms]
        said = (
            Told(f"when {_came(each.state)}, {beside(each.utc_ms, now_ms, zone)}", each.text)
            for each in sorted(told, key=lambda each: each.utc_ms)
        )
        return [*dict.fromkeys(said)]

    def hides(self, subject: str) -> Hidden | None:
        """Give what is hidden of a subject, what people hid first."""
        own = [each for each in self.hidden if each.alarms[0].subject == subject]
        return min(own, key=lambda each: _HIDDEN.index(each.state), default=None)


_LAST_KNOWN_MS = 900_000


def last_known(
    device_id: str, figures: Mapping[str, Any], present: Present, store: Store
) -> Mapping[str, Any]:
    """Give the figures of a device; where they are old, those of its last minutes for the unknown.

    Without its broker an engine knows nothing of a device after a minute or two. People are told
    that they are shown what was last known, and of when that is.
    """
    unknown = [key for key, value in figures.items() if value is None]
    if not unknown or not present.are_old or present.as_of_ms is None:
        return figures
    from_ms, to_ms = present.as_of_ms - _LAST_KNOWN_MS, present.as_of_ms + 1
    then = store.columns(device_id, unknown, Tier.MINUTES, from_ms, to_ms)
    return {**figures, **{key: column[-1].mean for key, column in then.items() if column}}


def _came(state: AlarmState) -> str:
    came = {AlarmState.UNACKNOWLEDGED: "raised", AlarmState.RETURNED: "over"}
    return came.get(state, state.value.replace("-", " "))


def present_of(snapshot: Snapshot, config: Config, now_ms: int) -> Present:
    """Put a snapshot in order for people who read it at `now_ms` (UTC)."""
    zone = config.site.timezone
    heard = [each["time"] for each in snapshot.sensors.values() if each["time"] is not None]
    heard_ms = max(map(from_rfc3339, heard), default=None)
    hears = snapshot.running and not snapshot.starting and snapshot.connected
    as_of_ms = snapshot.utc_ms if hears or heard_ms is None else heard_ms
    as_of = "" if as_of_ms is None else beside(as_of_ms, now_ms, zone)
    accounts = [*snapshot.incidents, *_without_account(snapshot, config)]
    on = [each for each in accounts if not each.is_over and not each.is_hidden]
    present = Present(
        snapshot=snapshot,
        trouble=_trouble(snapshot, as_of, now_ms),
        as_of_ms=as_of_ms,
        are_old=not hears,
        on=on,
        over=[each for each in accounts if each.is_over],
        hidden=_hidden(snapshot.standing, on, config),
    )
    # First what is known to be so now; of old figures follows no time that is left.
    on.sort(key=present.is_last_known)
    on[:] = [replace(e, time_left_s=None) if present.is_last_known(e) else e for e in on]
    return present


def _without_account(snapshot: Snapshot, config: Config) -> list[Account]:
    """Give accounts of alarms that the engine has none of; their words are of their own instant."""
    known = {each for it in snapshot.incidents for each in (it.id, *it.alarms)}
    return [
        replace(account_alone(each, config), now="", since_ms=first_sign(each))
        for each in snapshot.standing
        if each.state not in _HIDDEN and known.isdisjoint({each.id, each.incident})
    ]


def _hidden(standing: Iterable[Transition], on: Iterable[Account], config: Config) -> list[Hidden]:
    """Give what is hidden; what the design hides behind an incident is told by that."""
    told = {each for account in on for each in (*account.alarms, *account.subjects)}
    names, hidden = display_names(config), []
    out: dict[str, list[Transition]] = {}
    for each in standing:
        name = names.get(each.subject, each.subject)
        is_told = each.state is AlarmState.SUPPRESSED and not told.isdisjoint(
            {each.id, each.subject}
        )
        if each.state is AlarmState.OUT_OF_SERVICE:
            out.setdefault(name, []).append(each)
        elif each.state in _HIDDEN and not is_told:
            words = f"{name}: {predicate(each)}"
            hidden.append(Hidden(words, each.state, first_sign(each), (each,)))
    for name, alarms in out.items():
        since_ms = min(each.utc_ms for each in alarms)
        hidden.append(Hidden(name, AlarmState.OUT_OF_SERVICE, since_ms, tuple(alarms)))
    return sorted(hidden, key=lambda each: _HIDDEN.index(each.state))


def hidden_words(hidden: Sequence[Hidden]) -> str:
    """Say how much is hidden; empty where nothing is."""
    out = [each.words for each in hidden if each.is_out]
    alarms = [each.state.value for each in hidden if not each.is_out]
    parts = []
    if alarms:
        verb, why = "is" if len(alarms) == 1 else "are", " or ".join(sorted({*alarms}))
        parts.append(f"{counted(len(alarms), 'alarm')} {verb} hidden ({why})")
    if out:
        parts.append(f"{listed(out)} {'is' if len(out) == 1 else 'are'} out of service")
    return "; ".join(parts)


def _headline(
    on: list[Account], over: list[Account], hidden: list[Hidden], unheard: list[str]
) -> Headline:
    """Say what is on; neither what is hidden nor what nobody can know yet passes for well."""
    if on:
        more = f", and {len(on) - 1} more" if on[1:] else ""
        return Headline(on[0].priority.value, f"{on[0].headline}{more}", "")
    remarks = [hidden_words(hidden)] if hidden else []
    if over:
        verb = "is" if len(over) == 1 else "are"
        remarks.append(f"{counted(len(over), 'incident')} {verb} over and not acknowledged yet")
    if unheard:
        has = "has" if len(unheard) == 1 else "have"
        remarks.append(f"{listed(unheard)} {has} not been heard yet")
    if remarks:
        words = "No alarm is shown" if hidden else "No alarm is on"
        return Headline("low", words, f"{'; '.join(remarks)}.")
    return Headline("well", "All is well", "The watch is running, and no alarm is on.")


def _trouble(snapshot: Snapshot, as_of: str, now_ms: int) -> Headline | None:
    """Say why nothing new is heard, or not everything; None while all is heard."""
    from_then = f"The figures below are the last known, from {as_of}." if as_of else "No figures."
    if not snapshot.running:
        return _not_running(snapshot, from_then, now_ms)
    if snapshot.starting:
        words = "The watch has just started"
        return Headline("low", words, f"New figures come in a moment. {from_then}")
    if snapshot.session_taken:
        # Its alarm may be acknowledged, hidden or switched off: that makes nothing well.
        what = "Only part of what is sent arrives."
        words = "Another client uses the watch's client ID"
        return Headline("high", words, what if snapshot.connected else f"{what} {from_then}")
    if not snapshot.connected:
        return Headline("high", "No connection to the broker", f"Nothing arrives. {from_then}")
    if snapshot.memory_process is not None:
        return Headline("high", *_in_memory(snapshot.memory_process))
    return None


def _not_running(snapshot: Snapshot, from_then: str, now_ms: int) -> Headline:
    if snapshot.memory_process is not None:
        words, detail = _in_memory(snapshot.memory_process)
        return Headline("high", words, f"{detail} {from_then}")
    if snapshot.utc_ms is None:
        return Headline("high", "The watch has never run", "There are no figures yet.")
    age = describe_duration(abs(now_ms - snapshot.utc_ms) / 1000)
    if snapshot.mute:
        process = "" if snapshot.mute_process is None else f" {snapshot.mute_process}"
        return Headline(
            "high",
            "The watch writes nothing",
            f"Its process{process} is alive, but has written nothing for {age}: it"
            f" cannot write its store, or hangs. Check its log, and whether the disk is full."
            f" {from_then}",
        )
    return Headline(
        "high",
        "The watch is not running",
        f"Nothing is being watched; the last sign of life was {age} ago. {from_then}",
    )


def _in_memory(process: int) -> tuple[str, str]:
    detail = (
        f"Its process {process} notifies as usual, but its disk refuses the store. What it records"
        " is lost when it ends. Check the disk: is it full, or read-only?"
    )
    return "The watch keeps its records in memory", detail
