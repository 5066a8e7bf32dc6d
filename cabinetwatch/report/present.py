"""How things are now, as the page, `status` and `alarms` say it.

What is on is shown by the accounts of its incidents. What is said here is only what no account can
know: whether the watch runs and hears, of when the figures are, and what is hidden.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.notify.mail import account_alone, display_names
from cabinetwatch.notify.words import predicate
from cabinetwatch.report.words import first_sign, short_time
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.replay import Snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.text import counted, describe_duration, from_rfc3339
from cabinetwatch.watch.conditions.base import listed
from cabinetwatch.watch.events import Account, AlarmState, Transition

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
            return _headline(self.on, self.over, self.hidden)
        if not self.on:
            return self.trouble
        on = _headline(self.on, self.over, self.hidden).words
        return self.trouble._replace(words=f"{self.trouble.words}; {on}")

    def is_last_known(self, account: Account) -> bool:
        """Whether an account can only say how things were; of itself a running watch knows."""
        of_itself = self.snapshot.running and set(account.subjects) == {SITE_SUBJECT}
        return self.are_old and not of_itself

    def told(self, account: Account, now_ms: int, zone: str) -> list[Told]:
        """Give what the alarms of an account said when each came into its state, oldest first."""
        told = [each for each in self.snapshot.standing if each.id in account.alarms]
        return [
            Told(f"when {_came(each.state)}, {moment(each.utc_ms, now_ms, zone)}", each.text)
            for each in sorted(told, key=lambda each: each.utc_ms)
        ]

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

    Raises:
        StoreError: the store can't be read.
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


def moment(utc_ms: int, now_ms: int, zone: str) -> str:
    """Write an instant beside another that is written whole: 20:42, or Sun 29 Nov 20:42."""
    day = "%Y-%m-%d"
    same = short_time(utc_ms, zone, day) == short_time(now_ms, zone, day)
    return short_time(utc_ms, zone, "%H:%M" if same else "%a %-d %b %H:%M")


def present_of(snapshot: Snapshot, config: Config, now_ms: int) -> Present:
    """Put a snapshot in order for people who read it at `now_ms` (UTC)."""
    zone = config.site.timezone
    heard = [each["time"] for each in snapshot.sensors.values() if each["time"] is not None]
    heard_ms = max(map(from_rfc3339, heard), default=None)
    hears = snapshot.running and not snapshot.starting and snapshot.connected
    as_of_ms = snapshot.utc_ms if hears or heard_ms is None else heard_ms
    as_of = "" if as_of_ms is None else moment(as_of_ms, now_ms, zone)
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


def _headline(on: list[Account], over: list[Account], hidden: list[Hidden]) -> Headline:
    """Say what is on; what is hidden does not pass for well."""
    if on:
        more = f", and {len(on) - 1} more" if on[1:] else ""
        return Headline(on[0].priority.value, f"{on[0].headline}{more}", "")
    remarks = [hidden_words(hidden)] if hidden else []
    if over:
        verb = "is" if len(over) == 1 else "are"
        remarks.append(f"{counted(len(over), 'incident')} {verb} over and not acknowledged yet")
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
    if snapshot.mute_process is not None:
        return Headline(
            "high",
            "The watch writes nothing",
            f"Its process {snapshot.mute_process} is alive, but has written nothing for {age}: it"
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
