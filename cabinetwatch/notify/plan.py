"""Which notices follow from transitions, to whom and when; when an alarm is reported again. Pure.

A notice's id and Message-ID follow from what it tells, so that the same transitions, planned again
after a kill, give the same notice.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time
from email.headerregistry import Address
from hashlib import blake2b
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config
from cabinetwatch.store.records import Channel, Notice, NoticeKind, Posted
from cabinetwatch.text import to_datetime
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Account, AlarmState, Priority, Step, Transition
from cabinetwatch.watch.incidents import highest, plain_account

TEST_CONDITION = "test"
"""The condition of a test notice; no rule raises it."""

_LONGEST_REPEAT_S = 86_400.0

_MINUTE_MS = 60_000
_MINUTES_SEARCHED = 2 * 24 * 60
"""Two days of minutes hold the end of any quiet span, whatever the clocks are changed by."""


@dataclass(frozen=True, slots=True)
class QuietHours:
    """A span of each day, by the wall clock of the site, in which what can wait waits.

    The start lies within, the end without. A span whose end is the earlier runs over midnight.
    Where the clocks are put forward or back, what the wall clock shows decides: an hour that is
    skipped is not waited for, one that comes twice is quiet twice.
    """

    start: time
    end: time
    timezone: ZoneInfo

    def quiet_at(self, utc_ms: int) -> bool:
        """Whether the wall clock of the site stands within the span."""
        local = to_datetime(utc_ms).astimezone(self.timezone).time()
        if self.start < self.end:
            return self.start <= local < self.end
        return local >= self.start or local < self.end

    def quiet_until(self, utc_ms: int) -> int | None:
        """When the quiet in which this instant lies ends (UTC, ms); None when it is not quiet."""
        if not self.quiet_at(utc_ms):
            return None
        minute_ms = utc_ms - utc_ms % _MINUTE_MS
        for _ in range(_MINUTES_SEARCHED):
            minute_ms += _MINUTE_MS
            if not self.quiet_at(minute_ms):
                return minute_ms
        raise AssertionError("a quiet span shorter than a day ends within two")


def quiet_hours(channel: Channel, config: Config) -> QuietHours | None:
    """Give the quiet hours of a channel; None where it has none."""
    span = config.notify.quiet(channel)
    return None if span is None else QuietHours(*span, ZoneInfo(config.site.timezone))


def site_day(config: Config, utc_ms: int) -> date:
    """Give the day that it is at the site."""
    return to_datetime(utc_ms).astimezone(ZoneInfo(config.site.timezone)).date()


def turns(config: Config, priorities: Iterable[str], day: date) -> dict[Channel, float]:
    """Give who is mailed on a day what has one of the priorities, and after how many seconds.

    Who is away is left out, but a high alarm never goes untold: were nobody left, it goes to all
    who take those. Where nobody is left who is told at once, all move up until the first one is.
    """
    takers = _takers(config, priorities)
    people = {channel: each for channel, each in config.notify.mailed.items() if channel in takers}
    left = {channel: each for channel, each in people.items() if not each.is_away(day)}
    at_once = {"email": 0.0} if "email" in takers else {}
    if not left and not at_once and Priority.HIGH in priorities:
        left = people
    first_s = 0.0 if at_once else min((each.after_s for each in left.values()), default=0.0)
    return at_once | {channel: each.after_s - first_s for channel, each in left.items()}


def _takers(config: Config, priorities: Iterable[str]) -> list[Channel]:
    """Give the channels, but for MQTT, that take one of the priorities."""
    notify = config.notify
    email = notify.email if notify.email is not None and notify.email.addresses else None
    others = {"command": notify.command, "http": notify.http}
    tables = {"email": email, **notify.mailed, **others}
    wanted = {*priorities}
    return [
        channel
        for channel, table in tables.items()
        if table is not None and wanted & {*table.priorities}
    ]


def turn_s(notice: Notice, config: Config) -> float:
    """Give how long others have to answer before a notice goes out; 0 where nobody has to."""
    person = config.notify.mailed.get(notice.channel)
    if person is None or person.after is None or notice.kind not in ("raise", "worse"):
        return 0.0
    return turns_of(notice, config).get(notice.channel, person.after_s)


def ahead_of(notice: Notice, config: Config) -> dict[Channel, float]:
    """Give who has to answer before a notice goes out, and how many seconds each has for it."""
    own_s = turn_s(notice, config)
    there = turns_of(notice, config)
    return {channel: own_s - s for channel, s in there.items() if s < own_s}


def turns_of(notice: Notice, config: Config) -> dict[Channel, float]:
    """Give who is mailed what a notice tells, and after how many seconds; see `turns`."""
    priorities = {account.priority.value for account in notice.accounts}
    return turns(config, priorities, site_day(config, notice.utc_ms))


def due_ms(notice: Notice, config: Config) -> int:
    """Give the instant (UTC) at which a notice is to go out: after quiet hours, and in its turn.

    The others' time to answer counts from when the first of them is notified.
    """

    def free_ms(channel: Channel, utc_ms: int) -> int:
        quiet = quiet_hours(channel, config) if can_wait(notice) else None
        return utc_ms if quiet is None else quiet.quiet_until(utc_ms) or utc_ms

    utc_ms = notice.utc_ms
    own_s = turn_s(notice, config)
    if own_s:
        first = (free_ms(channel, utc_ms) for channel in ahead_of(notice, config))
        utc_ms = min(first, default=utc_ms) + round(own_s * 1000)
    return free_ms(notice.channel, utc_ms)


def priority_of(notice: Notice) -> Priority:
    """Give how urgent a notice is. What a summary tells can wait, whatever it lists."""
    told = () if notice.kind == "summary" else notice.accounts or notice.transitions
    return highest([each.priority for each in told])


def can_wait(notice: Notice) -> bool:
    """Whether a notice waits in quiet hours: all do but high and test ones."""
    return notice.kind != "test" and priority_of(notice) is not Priority.HIGH


def next_repeat_t(raised_t: int, after_t: int, repeat_s: float) -> int:
    """Give the first instant after `after_t` at which an active alarm is to be reported again.

    The first repeat comes `repeat_s` after the raise, the following at doubling intervals up to a
    day. All from the raise on, so that a restart finds the same instants.
    Watch times are in ms.
    """
    interval_ms = max(1, round(repeat_s * 1000))
    longest_ms = max(interval_ms, round(_LONGEST_REPEAT_S * 1000))
    due_t = raised_t + interval_ms
    while due_t <= after_t and interval_ms < longest_ms:
        interval_ms = min(2 * interval_ms, longest_ms)
        due_t += interval_ms
    if due_t <= after_t:
        due_t += ((after_t - due_t) // interval_ms + 1) * interval_ms
    return due_t


class DueRepeat(NamedTuple):
    """Raises of one incident to be reported again, due at an instant (watch time, ms)."""

    due_t: int
    incident: str
    transitions: tuple[Transition, ...]


@dataclass(slots=True)
class _Standing:
    """What nobody has acknowledged of an incident, since when it counts, when it is due again."""

    base_t: int
    due_t: int = 0
    raises: dict[str, Transition] = field(default_factory=dict)


class Repeats:
    """Follows the transitions and says which incidents are due to be reported again.

    Those with a high alarm that is on and that nobody has acknowledged; the time counts anew from
    each message that tells that it is worse.
    """

    def __init__(self, repeat_s: float) -> None:
        self._repeat_s = repeat_s
        self._standing: dict[str, _Standing] = {}

    def restore(self, standing: Iterable[Transition], told: Mapping[str, int]) -> None:
        """Go on after a restart; of several repeats missed meanwhile one is made good.

        Args:
            standing: The last transition of each alarm that is not normal.
            told: For each occurrence, the watch time (ms) of the newest notice that told of it.
        """
        for transition in standing:
            self.observe(transition, told.get(transition.id, transition.t))

    def observe(self, transition: Transition, told_t: int = 0) -> None:
        """Take the next transition; `told_t` is when its occurrence was last told of, if later."""
        incident = transition.incident or transition.id
        entry = self._standing.get(incident)
        if transition.is_raise and transition.priority is Priority.HIGH:
            if entry is None:
                entry = self._standing[incident] = _Standing(transition.t)
            elif transition.message is not None:
                entry.base_t = transition.t
            entry.raises[transition.id] = transition
            entry.due_t = next_repeat_t(entry.base_t, max(transition.t, told_t), self._repeat_s)
            return
        # By its own ID where it was raised before there were incidents.
        for key in {incident, transition.id} & self._standing.keys():
            raises = self._standing[key].raises
            raises.pop(transition.id, None)
            if not raises:
                del self._standing[key]

    def take_due(self, t: int) -> list[DueRepeat]:
        """Give what is due at watch time `t` and set each to its next instant after `t`."""
        due = []
        for incident, entry in self._standing.items():
            if entry.due_t <= t:
                due.append(DueRepeat(entry.due_t, incident, tuple(entry.raises.values())))
                entry.due_t = next_repeat_t(entry.base_t, t, self._repeat_s)
        return sorted(due, key=lambda each: each[:2])

    @property
    def next_due_t(self) -> int | None:
        """Watch time of the next repeat, None when nothing is on."""
        return min((entry.due_t for entry in self._standing.values()), default=None)


def last_told(notices: Iterable[Notice]) -> dict[str, int]:
    """Give for each occurrence the watch time (ms) of the newest notice that raised it."""
    told: dict[str, int] = {}
    for notice in notices:
        for transition in notice.transitions:
            if transition.is_raise:
                told[transition.id] = max(notice.t, told.get(transition.id, notice.t))
    return told


AlarmKey = tuple[str, str]
"""Subject and condition of an alarm."""


def alarm_key(transition: Transition) -> AlarmKey:
    """Give the alarm that a transition is of."""
    return transition.subject, transition.condition


class Retained:
    """Follows what was published last of each alarm that is not normal.

    What stands and what was published are held apart: a transition that is not committed yet, or
    waits in the queue, must not be published ahead of its turn; and one that waited until its alarm
    was no longer in the configuration must not be published again.
    """

    def __init__(self) -> None:
        self._standing: set[AlarmKey] = set()
        self._published: dict[AlarmKey, Transition] = {}

    def observe(self, transition: Transition) -> None:
        """Take a transition when it happens."""
        if transition.state is AlarmState.NORMAL:
            self._standing.discard(alarm_key(transition))
            self._published.pop(alarm_key(transition), None)
        else:
            self._standing.add(alarm_key(transition))

    def published(self, transition: Transition) -> None:
        """Take a transition when the broker has confirmed it."""
        if alarm_key(transition) in self._standing and transition.state is not AlarmState.NORMAL:
            self._published[alarm_key(transition)] = transition

    def all(self) -> list[Transition]:
        """Give what a broker should keep, in the order in which it happened."""
        return sorted(self._published.values(), key=lambda each: each.t)


_MOST_REFERENCES = 20
"""A header has to stay small however long the mail was out; the newest threads count."""

_KINDS: dict[Step, NoticeKind] = {Step.OPENED: "raise", Step.WORSE: "worse", Step.OVER: "return"}


class _Matter(NamedTuple):
    """What is told: why, the account of an incident, and what it did since it was told last."""

    kind: NoticeKind
    account: Account
    transitions: Sequence[Transition]


class _Occasion(NamedTuple):
    """What sets a notice apart from others of the same incident, and when it is written."""

    mark: str
    t: int
    utc_ms: int


Present = Callable[[str], Account | None]
"""Gives the account of an incident as it is now, by its ID; None where there is none any more."""


def plan(transitions: Sequence[Transition], config: Config) -> list[Notice]:
    """Give the notices for transitions that were emitted at one instant, in their order.

    People and programs are told by the messages of incidents: one mail, one run of the command
    for each. MQTT publishes every transition. All within the priorities of the channel.
    """
    notices = []
    for transition in transitions:
        message = transition.message
        if message is not None:
            occasion = _Occasion(message.step.value, transition.t, transition.utc_ms)
            told = message.transitions or (transition,)
            matter = _Matter(_KINDS[message.step], message.account, told)
            notices += _told(matter, config, occasion, message.priorities)
    for each in _published(transitions, config):
        kind: NoticeKind = "raise" if each.is_raise else "return" if each.is_return else "change"
        occasion = _Occasion(each.state.value, each.t, each.utc_ms)
        notices.append(_of_transition(kind, each, occasion))
    return notices


def plan_repeat(
    due: DueRepeat, account: Account | None, config: Config, t: int, offset_ms: int
) -> list[Notice]:
    """Give the notices that tell again of an incident; MQTT keeps its last message anyway.

    `account` is the present one where it is known. `t` is the watch time now (ms), `offset_ms` what
    must be added to it to get UTC.
    """
    occasion = _Occasion(f"repeat-{due.due_t}", t, t + offset_ms)
    account = account or plain_account(due.transitions[-1])
    return _told(_Matter("repeat", account, due.transitions), config, occasion)


def plan_elsewhere(
    waiting: Iterable[Posted],
    posted: Sequence[Posted],
    standing: Iterable[Transition],
    config: Config,
) -> tuple[list[Notice], list[Notice]]:
    """Give what waits for channels that the configuration no longer has, and what goes instead.

    The newest word on each incident that is on and unanswered goes to all who would have had it
    had they been there when it was written, and in their turn from then on. `posted` are all the
    notices on these incidents, oldest first: a digest that waits tells what its members were to.
    """
    notify = config.notify
    gone = [
        notice
        for notice, _ in waiting
        if notice.channel not in (notify.channels if notice.recipients else notify.for_alarms)
    ]
    is_on = {each.incident or each.id for each in standing if each.is_raise}
    untold = {notice.id for notice in gone}
    newest: dict[str, Notice] = {}
    for notice, outcome in reversed(posted):
        if outcome is not None and outcome.merged_into in untold:
            untold.add(notice.id)
        if notice.id in untold and notice.kind in ("raise", "worse"):
            for account in notice.accounts:
                newest.setdefault(account.id, notice)
    instead: list[Notice] = []
    for notice in [each for incident, each in newest.items() if incident in is_on]:
        mark = notice.id.rpartition("-")[2]
        matter = _Matter(notice.kind, notice.accounts[0], notice.transitions)
        instead += _told(matter, config, _Occasion(mark, notice.t, notice.utc_ms))
    known = {notice.id for notice, _ in posted}
    return gone, [notice for notice in instead if notice.id not in known]


def plan_again(
    transitions: Sequence[Transition], config: Config, t: int, utc_ms: int
) -> list[Notice]:
    """Give what a broker that has lost its memory must be told again, one notice an alarm.

    They tell nobody anything new: they go to MQTT alone, and are not written down. `transitions`
    are the last one published of each alarm that is not normal, in their order.
    """
    occasion = _Occasion("again", t, utc_ms)
    wanted = _published(transitions, config)
    return [_of_transition("again", each, occasion) for each in wanted]


def plan_digest(members: Sequence[Notice], config: Config, t: int, offset_ms: int) -> Notice:
    """Give the one mail in place of several that wait."""
    members = sorted(members, key=lambda notice: notice.t)
    told = {
        (transition.id, transition.t, transition.state): transition
        for notice in members
        for transition in notice.transitions
    }
    accounts = {account.id: account for notice in members for account in notice.accounts}
    channel = members[0].channel
    notice_id = f"{channel}-digest-{_token(*sorted(notice.id for notice in members))}"
    return Notice(
        id=notice_id,
        channel=channel,
        kind="digest",
        t=t,
        utc_ms=t + offset_ms,
        transitions=tuple(told.values()),
        message_id=message_id(config, config.site.name, notice_id),
        accounts=tuple(accounts.values()),
    )


def plan_test(config: Config, t: int, utc_ms: int) -> list[Notice]:
    """Give a test notice for every channel that is set up.

    The command is run twice, as for a raise and its return: a siren that a test starts has to be
    stopped again.
    """
    notices: list[Notice] = []
    for transition in _test_transitions(config, t, utc_ms):
        account = replace(
            plain_account(transition), headline="A test of the notices", subjects=(TEST_CONDITION,)
        )
        occasion = _Occasion(transition.state.value, t, utc_ms)
        for channel in config.notify.for_alarms:
            if channel != "command" and not transition.is_raise:
                continue
            if channel == "mqtt":
                notices.append(_of_transition("test", transition, occasion))
            else:
                matter = _Matter("test", account, (transition,))
                notices.append(_of_incident(channel, matter, config, occasion))
    return notices


def plan_summary(
    week: str,
    returned: Sequence[Transition],
    recipients: tuple[str, ...],
    config: Config,
    *,
    t: int,
    utc_ms: int,
) -> Notice:
    """Give the notice that mails the summary of a week such as 2026-W47.

    `returned` are the returned alarms that it lists.
    """
    notice_id = summary_notice_id(week)
    return Notice(
        id=notice_id,
        channel="email",
        kind="summary",
        t=t,
        utc_ms=utc_ms,
        transitions=tuple(returned),
        message_id=message_id(config, config.site.name, notice_id),
        recipients=recipients,
        week=week,
    )


def summary_notice_id(week: str) -> str:
    """Give the id of a week's summary, of which there is only one ever."""
    return f"email-summary-{week}"


def thread_roots(notice: Notice, config: Config) -> list[str]:
    """Give the Message-IDs of the mails that opened the incidents that a mail tells of.

    A digest tells of several, and refers to them all, so that whatever follows on any of them
    finds the thread.
    """
    roots = dict.fromkeys(
        _thread_root(notice.channel, each.incident or each.id, config)
        for each in notice.transitions
    )
    roots.pop(notice.message_id, None)
    return list(roots)[-_MOST_REFERENCES:]


def _published(transitions: Iterable[Transition], config: Config) -> list[Transition]:
    """Give those of the transitions that go to MQTT."""
    mqtt = config.notify.mqtt
    return [each for each in transitions if mqtt.enabled and each.priority.value in mqtt.priorities]


def _told(
    matter: _Matter, config: Config, occasion: _Occasion, priorities: Sequence[Priority] = ()
) -> list[Notice]:
    """Give what people and programs are notified of about an incident.

    `priorities` are those under which it was told before: who heard of it hears the rest. Its end
    is for whoever was told of it, and that the delivery knows, wherever they are by then.
    """
    told = {matter.account.priority.value, *(each.value for each in priorities)}
    there = turns(config, told, site_day(config, occasion.utc_ms))
    return [
        _of_incident(channel, matter, config, occasion)
        for channel in _takers(config, told)
        if channel in there or channel not in config.notify.mailed or matter.kind == "return"
    ]


def _of_incident(channel: Channel, matter: _Matter, config: Config, occasion: _Occasion) -> Notice:
    kind, account, transitions = matter
    notice_id = f"{channel}-{account.id}-{occasion.t}-{occasion.mark}"
    root = _thread_root(channel, account.id, config)
    first = transitions[0]
    # An occurrence that was hidden before, or comes back, opens nothing.
    is_new = first.is_raise and first.previous is AlarmState.NORMAL
    opens = kind in ("raise", "test") and first.id == account.id and is_new
    own_id, in_reply_to = (root, None) if opens else (message_id(config, notice_id), root)
    is_mail = is_mailed(channel, config)
    return Notice(
        id=notice_id,
        channel=channel,
        kind=kind,
        t=occasion.t,
        utc_ms=occasion.utc_ms,
        transitions=tuple(replace(each, message=None) for each in transitions),
        message_id=own_id if is_mail else "",
        in_reply_to=in_reply_to if is_mail else None,
        accounts=(account,),
    )


def _of_transition(kind: NoticeKind, transition: Transition, occasion: _Occasion) -> Notice:
    return Notice(
        id=f"mqtt-{transition.id}-{transition.t}-{occasion.mark}",
        channel="mqtt",
        kind=kind,
        t=occasion.t,
        utc_ms=occasion.utc_ms,
        transitions=(replace(transition, message=None),),
    )


def is_mailed(channel: Channel, config: Config) -> bool:
    """Whether what goes to a channel is a mail."""
    return channel == "email" or channel in config.notify.mailed


def _thread_root(channel: Channel, incident: str, config: Config) -> str:
    """Give the Message-ID that the mail of a channel has which opens an incident."""
    own = () if channel == "email" else (channel,)
    return message_id(config, config.site.name, incident, *own)


def message_id(config: Config, *parts: str) -> str:
    """Give the Message-ID that follows from some texts."""
    email = config.notify.email
    domain = "localhost" if email is None else sender_of(email.from_).domain
    return f"<{_token(*parts)}@{domain}>"


def sender_of(text: str) -> Address:
    """Take `from` of [notify.email] apart, whatever the configuration allows there.

    `email.utils.parseaddr` finds no address behind a name with brackets, and `Address` refuses one
    with two dots in a row when it gets that as a whole.
    """
    name, _, address = text.rpartition("<")
    username, _, domain = address.rstrip(">").rpartition("@")
    return Address(name.strip(), username, domain)


def _token(*parts: str) -> str:
    return blake2b("\0".join(parts).encode(), digest_size=12).hexdigest()


def _test_transitions(config: Config, t: int, utc_ms: int) -> tuple[Transition, Transition]:
    name = config.site.name
    raised = Transition(
        t=t,
        utc_ms=utc_ms,
        id=f"{TEST_CONDITION}-{t}",
        site=name,
        subject="site",
        condition=TEST_CONDITION,
        state=AlarmState.UNACKNOWLEDGED,
        previous=AlarmState.NORMAL,
        priority=Priority.LOW,
        text=f"This is a test from {name}: nothing is wrong.",
        values={},
        cause=TEST_CONDITION,
    )
    over = f"The test from {name} is over."
    return raised, replace(raised, state=raised.previous, previous=raised.state, text=over)


class Planner:
    """Plans notices for an engine; owned by its thread.

    A notice is named after alarm, instant and state. An alarm without delays can come to the same
    state twice in one millisecond; the second notice must not be taken for the first.
    """

    def __init__(self) -> None:
        self._t = 0
        self._used: dict[str, int] = {}

    def plan(self, transitions: list[Transition], engine: Engine) -> list[Notice]:
        """Give the notices for transitions of `engine`, in their order."""
        planned = []
        for notice in plan(transitions, engine.config):
            # The retained message of an alarm that is gone is cleared, not written anew.
            alarms = (f"{each.subject}/{each.condition}" for each in notice.transitions)
            if notice.channel == "mqtt" and not all(each in engine.alarms for each in alarms):
                continue
            if notice.t != self._t:
                self._t, self._used = notice.t, {}
            count = self._used[notice.id] = self._used.get(notice.id, 0) + 1
            if count > 1:
                own_id = notice.message_id.replace("@", f".{count}@", 1)
                notice = replace(notice, id=f"{notice.id}-{count}", message_id=own_id)  # noqa: PLW2901
            planned.append(notice)
        return planned
