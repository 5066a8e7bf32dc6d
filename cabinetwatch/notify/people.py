"""People in their turn: who was notified of an incident, who has yet to be, and who never need be.

The first to be notified have a while to answer; a notice to somebody after them is written with
theirs, lies in the outbox like any other, and is held here until it is due or somebody has
answered. So neither a kill nor a restart loses it, doubles it, or starts its time anew.
"""

import threading
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta

from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Person
from cabinetwatch.notify.plan import Present, ahead_of, due_ms, site_day, turn_s, turns, turns_of
from cabinetwatch.store.records import Channel, Notice, Outcome, Posted
from cabinetwatch.text import local_time
from cabinetwatch.watch.conditions.base import listed
from cabinetwatch.watch.events import AlarmState, Priority, Step, Transition


class Told:
    """Who was notified of each incident that is on, and when; of all channels, for any thread."""

    def __init__(self, posted: Iterable[Posted] = ()) -> None:
        self._lock = threading.Lock()
        # By incident and channel: by notice, watch time and UTC (ms).
        self._told: dict[tuple[str, Channel], dict[str, tuple[int, int]]] = {}
        # Who was refused and not told since, and whether for good.
        self._refused: dict[tuple[str, Channel], bool] = {}
        # By notice, while it waits: the UTC (ms) of its first attempt.
        self._tried: dict[str, int] = {}
        # When incidents were over before a restart, in watch time; the store keeps no messages.
        self._overs: set[tuple[str, int]] = set()
        for notice, outcome in posted:
            self._overs |= {(each.id, notice.t) for each in notice.accounts if each.is_over}
            if outcome is not None:
                self.note(notice, outcome)

    def note(self, notice: Notice, outcome: Outcome) -> None:
        """Take what became of a notice; of an incident that is over nothing is kept."""
        utc_ms = outcome.t + notice.utc_ms - notice.t
        with self._lock:
            if outcome.status != "waiting":
                self._tried.pop(notice.id, None)
            elif outcome.attempts:
                self._tried.setdefault(notice.id, utc_ms)
            for account in notice.accounts:
                key = account.id, notice.channel
                if outcome.recipients_done:
                    self._refused.pop(key, None)
                    told = self._told.setdefault(key, {})
                    told.setdefault(notice.id, (outcome.t, utc_ms))
                elif outcome.error and (outcome.attempts or outcome.status == "failed"):
                    self._refused[key] = outcome.status == "failed"
                if account.is_over and outcome.status != "waiting":
                    self._told.pop(key, None)
                    self._refused.pop(key, None)

    def told_t(self, incident: str, channel: Channel, since_t: int = 0) -> int | None:
        """Give when a channel was first notified of an incident since a watch time, if it was."""
        with self._lock:
            told = self._told.get((incident, channel), {})
            return min((t for t, _ in told.values() if t >= since_t), default=None)

    def was_over(self, incident: str, t: int) -> bool:
        """Whether an incident was over at a watch time, before a restart."""
        return (incident, t) in self._overs

    def is_out_of_reach(self, incident: str, channel: Channel) -> bool:
        """Whether a channel was to be notified of an incident, and refused for good."""
        with self._lock:
            return self._refused.get((incident, channel), False)

    def is_refused(self, incident: str, channel: Channel) -> bool:
        """Whether a channel was to be notified of an incident, and refused, be it for now."""
        with self._lock:
            return (incident, channel) in self._refused

    def written_ms(self, notice: Notice, config: Config) -> int:
        """Give the instant (UTC) from which a mail is dated: when its turn has come.

        That is at its first attempt: early where it had nobody to wait for, late after an outage.
        """
        if not turn_s(notice, config):
            return notice.utc_ms
        with self._lock:
            return self._tried.get(notice.id, due_ms(notice, config))

    def before(self, notice: Notice, config: Config, present: Present | None = None) -> str:
        """Say who was notified before one who is only notified when others don't answer.

        Nothing where somebody has answered since, as far as the `present` is known.
        """
        person = config.notify.mailed.get(notice.channel)
        kinds = ("raise", "worse", "digest")
        if person is None or person.after is None or notice.kind not in kinds:
            return ""
        if present is not None:
            now = [present(account.id) for account in notice.accounts]
            if not any(each and each.state == AlarmState.UNACKNOWLEDGED for each in now):
                return ""
        zone = config.site.timezone
        written_ms = self.written_ms(notice, config)
        today = site_day(config, written_ms)
        there = turns_of(notice, config)
        # A digest says what others were to be notified of before it was made.
        since = notice.transitions if notice.kind == "digest" else (notice,)
        since_ms = min(each.utc_ms for each in since)
        sentences = []
        for channel, who in _people(config):
            if channel == notice.channel:
                continue
            instants = self._instants(notice, channel)
            if instants:
                # The first time since this was written: what came before, they have answered.
                utc_ms = min((e for e in instants if e >= since_ms), default=max(instants))
                is_today = site_day(config, utc_ms) == today
                at = local_time(utc_ms, zone, "%H:%M" if is_today else "%H:%M on %a %-d %b")
                theirs_s = there.get(notice.channel, 0.0) - there.get(channel, 0.0)
                had_time = 0 < theirs_s * 1000 <= written_ms - utc_ms
                answer = " and has not answered" if had_time else ""
                sentences.append(f"{who} was notified at {at}{answer}.")
            elif any(self.is_out_of_reach(each.id, channel) for each in notice.accounts):
                sentences.append(f"{who} could not be notified.")
        return " ".join(sentences)

    def _instants(self, notice: Notice, channel: Channel) -> list[int]:
        keys = [(account.id, channel) for account in notice.accounts]
        with self._lock:
            return [ms for key in keys for _, ms in self._told.get(key, {}).values()]


def addresses_now(config: Config, utc_ms: int) -> tuple[str, ...]:
    """Give whom to mail what is no notice and as urgent as a high alarm: nobody can answer it."""
    email = config.notify.email
    simple = () if email is None else email.addresses
    there = turns(config, [Priority.HIGH], site_day(config, utc_ms))
    mailed = config.notify.mailed
    called = (*simple, *(person.mail for channel, person in mailed.items() if channel in there))
    return called or tuple(person.mail for person in mailed.values())


def _people(config: Config) -> Iterator[tuple[Channel, str]]:
    """Give each channel that mails, and what its recipients are called."""
    email = config.notify.email
    if email is not None and email.addresses:
        yield "email", ", ".join(email.addresses)
    for person_id, (channel, person) in zip(
        config.notify.people, config.notify.mailed.items(), strict=True
    ):
        yield channel, person.name or person_id


_ANSWERED = {AlarmState.ACKNOWLEDGED, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}
"""States into which somebody puts an alarm."""


class Line:
    """The notices to one person that others may make needless, held until that is settled.

    An incident is unanswered from a raise on until somebody acknowledges or hides all that is
    raised of it, or it is over. Once it was told to this person, what gets worse of it waits no
    more. Where nobody ahead can be reached, nothing waits; while no server can be, what was not
    tried yet is still withdrawn once somebody answers.
    """

    def __init__(self, channel: Channel, config: Config, told: Told) -> None:
        self._channel = channel
        self._config = config
        self._told = told
        self._held: dict[str, tuple[Notice, int]] = {}
        self._needless: list[Notice] = []
        self._since: dict[str, int] = {}
        self._raised: dict[str, set[str]] = {}
        self._answered: set[str] = set()
        self.next_due_t: int | None = None
        """Watch time at which to look again at what is held; None when nothing is."""

    def restore(self, lived: Iterable[Transition], standing: Iterable[Transition]) -> None:
        """Go on after a restart, before the first notice."""
        for transition in lived:
            self.observe(transition)
        for transition in standing:
            # Whatever a clock that was put back keeps from what was lived through.
            if transition.is_raise:
                self.observe(transition)

    def observe(self, transition: Transition) -> None:
        """Take every transition, in order."""
        incident = transition.incident or transition.id
        raised = self._raised.setdefault(incident, set())
        if transition.is_raise:
            self._since.setdefault(incident, transition.t)
            raised.add(transition.id)
        else:
            raised.discard(transition.id)
        message = transition.message
        is_over = self._told.was_over(incident, transition.t) or (
            message is not None and message.step is Step.OVER
        )
        # What is hidden by design, or returns beside others, is no answer.
        is_answer = not is_over and not raised and transition.state in _ANSWERED
        if is_answer:
            self._answered.add(incident)
        elif is_over or raised:
            self._answered.discard(incident)
        if is_over or is_answer:
            self._since.pop(incident, None)
        if incident not in self._since:
            del self._raised[incident]

    def takes(self, notice: Notice, *, is_told: bool) -> bool:
        """Keep a notice that may prove needless; False: it is to be sent.

        `is_told`: whether the person knows of its incidents, or is about to.
        """
        if notice.kind == "return" and not is_told:
            self._needless.append(notice)
            return True
        if not turn_s(notice, self._config):
            return False
        due_t = notice.t + due_ms(notice, self._config) - notice.utc_ms
        self._held[notice.id] = notice, due_t
        return True

    def holds(self, notice: Notice) -> bool:
        """Whether anything is held of the incidents that a notice tells of."""
        incidents = {account.id for account in notice.accounts}
        return any(_incident(held) in incidents for held, _ in self._held.values())

    def is_answered(self, notice: Notice) -> bool:
        """Whether somebody has answered all that a notice to one who comes later tells of."""
        return (
            self._config.notify.mailed[self._channel].after is not None
            and notice.kind in ("raise", "worse", "digest")
            and {account.id for account in notice.accounts} <= self._answered
        )

    def step(self, t: int) -> tuple[list[Notice], list[list[Notice]]]:
        """Give what is needless by now, and what is to be sent, those of one incident together."""
        needless, self._needless = self._needless, []
        due: dict[str, list[Notice]] = {}
        looks: list[int] = []
        for notice, due_t in self._held.values():
            incident = _incident(notice)
            since_t = self._since.get(incident)
            if since_t is None or notice.t < since_t:
                needless.append(notice)
                continue
            look_t = due_t if due_t > t else self._time_is_up_t(notice, due_t)
            if look_t <= t or self._waits_for_nobody(notice, since_t):
                due.setdefault(incident, [])
            else:
                looks.append(look_t)
        self.next_due_t = min(looks, default=None)
        for notice, _ in self._held.values():
            incident = _incident(notice)
            if incident in due and notice not in needless:
                (due[incident] if self._raised[incident] else needless).append(notice)
        sent = [each for each in due.values() if each]
        for notice in (*needless, *(each for group in sent for each in group)):
            self._held.pop(notice.id, None)
        return needless, sent

    def _time_is_up_t(self, notice: Notice, due_t: int) -> int:
        """Give when those ahead have had their time to answer, from when they were notified.

        Where no server takes their mails, what is due waits for that, but no more than as long
        again.
        """
        incident, ahead = _incident(notice), ahead_of(notice, self._config)
        told = {each: self._told.told_t(incident, each, notice.t) for each in ahead}
        up = [t + round(ahead[each] * 1000) for each, t in told.items() if t is not None]
        if up:
            return max(due_t, min(up))
        if any(self._told.is_refused(incident, each) for each in ahead):
            return due_t
        return due_t + round(turn_s(notice, self._config) * 1000)

    def _waits_for_nobody(self, notice: Notice, since_t: int) -> bool:
        incident = _incident(notice)
        return self._told.told_t(incident, self._channel, since_t) is not None or all(
            self._told.is_out_of_reach(incident, channel)
            for channel in ahead_of(notice, self._config)
        )


def _incident(notice: Notice) -> str:
    """Give the incident of a notice that opens it, or tells that it is worse."""
    return notice.accounts[0].id


def gaps(config: Config, today: date) -> Iterator[str]:
    """Say, for today and each absence to come, where nobody is left who gets a high alarm.

    A push or a program is somebody's way to get them where nobody is to be mailed them.
    """
    notify = config.notify
    email = notify.email
    if email is None or (email.addresses and Priority.HIGH in email.priorities):
        return
    people = notify.people
    takers = {id_: each for id_, each in people.items() if Priority.HIGH in each.priorities}
    if not takers:
        others = [each for each in (notify.command, notify.http) if each is not None]
        if not any(Priority.HIGH in each.priorities for each in others):
            yield 'nobody gets high alarms; add "high" to the priorities of somebody'
        return
    names = listed([each.name or id_ for id_, each in takers.items()])
    if all(each.after is not None for each in takers.values()):
        yield (
            f"all who get high alarms have after ({names}), so nobody comes first; leave it out for"
            " one of them (until then, whoever has the shortest is notified at once)"
        )
    for first, last in _all_away(list(takers.values()), today):
        yield (
            f"from {first} to {last} all who get high alarms are away ({names}); shorten an away or"
            " add somebody (until then, a high alarm in those days goes to all of them)"
        )


def _all_away(people: Sequence[Person], today: date) -> Iterator[tuple[date, date]]:
    """Give the spans of days, from today on, on which everybody is away."""
    spans = [span for each in people for span in each.absences]
    # Nothing changes but on these.
    turning = {today, *(first for first, _ in spans)}
    turning |= {last + timedelta(days=1) for _, last in spans if last < date.max}
    days = sorted(day for day in turning if day >= today)
    since = None
    for day in days:
        if all(each.is_away(day) for each in people):
            since = since or day
        elif since is not None:
            yield since, day - timedelta(days=1)
            since = None
    if since is not None:
        yield since, date.max
