"""Which notices follow from transitions, when quiet hours end, when an alarm is told again. Pure.

A notice's id and Message-ID follow from what it tells, so that the same transitions, planned again
after a kill, give the same notice.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import time
from email.utils import parseaddr
from hashlib import blake2b
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config
from cabinetwatch.notify.words import TEST_CONDITION
from cabinetwatch.store.records import Channel, Notice, NoticeKind
from cabinetwatch.text import to_datetime
from cabinetwatch.watch.events import AlarmState, Priority, Transition

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


def next_repeat_t(raised_t: int, after_t: int, repeat_s: float) -> int:
    """Give the first instant after `after_t` at which a standing alarm is to be told again.

    The first repeat comes `repeat_s` after the raise, the following at doubling intervals up to a
    day. All from the raise on, so that a restart finds the same instants.
    Watch times are in ms.
    """
    interval_ms = round(repeat_s * 1000)
    longest_ms = max(interval_ms, round(_LONGEST_REPEAT_S * 1000))
    due_t = raised_t + interval_ms
    while due_t <= after_t and interval_ms < longest_ms:
        interval_ms = min(2 * interval_ms, longest_ms)
        due_t += interval_ms
    if due_t <= after_t:
        due_t += ((after_t - due_t) // interval_ms + 1) * interval_ms
    return due_t


@dataclass(frozen=True, slots=True)
class DueRepeat:
    """Raises to be told again together: of one cause, due at one instant (watch time, ms)."""

    due_t: int
    transitions: tuple[Transition, ...]


class Repeats:
    """Follows the transitions and says which raises are due to be told again."""

    def __init__(self, repeat_s: float) -> None:
        self._repeat_s = repeat_s
        # By occurrence: its raise, and when that is told again.
        self._standing: dict[str, tuple[Transition, int]] = {}

    def restore(self, standing: Iterable[Transition], told: Mapping[str, int]) -> None:
        """Go on after a restart; of several repeats missed meanwhile one is made good.

        Args:
            standing: The last transition of each alarm that is not normal.
            told: For each occurrence, the watch time (ms) of the newest notice that told of it.
        """
        for transition in standing:
            self._follow(transition, max(transition.t, told.get(transition.id, transition.t)))

    def observe(self, transitions: Iterable[Transition]) -> None:
        """Take transitions in the order in which they happened."""
        for transition in transitions:
            self._follow(transition, transition.t)

    def _follow(self, transition: Transition, told_t: int) -> None:
        if transition.is_raise and transition.priority is Priority.HIGH:
            due_t = next_repeat_t(transition.t, told_t, self._repeat_s)
            self._standing[transition.id] = transition, due_t
        else:
            self._standing.pop(transition.id, None)

    def take_due(self, t: int) -> list[DueRepeat]:
        """Give what is due at watch time `t` and set each to its next instant after `t`."""
        groups: dict[tuple[int, str], list[Transition]] = {}
        for transition, due_t in list(self._standing.values()):
            if due_t <= t:
                groups.setdefault((due_t, transition.cause), []).append(transition)
                self._follow(transition, t)
        return [DueRepeat(due_t, tuple(group)) for (due_t, _), group in sorted(groups.items())]

    @property
    def next_due_t(self) -> int | None:
        """Watch time of the next repeat, None when nothing stands."""
        return min((due_t for _, due_t in self._standing.values()), default=None)


def last_told(notices: Iterable[Notice]) -> dict[str, int]:
    """Give for each occurrence the watch time (ms) of the newest notice that raised it."""
    told: dict[str, int] = {}
    for notice in notices:
        for transition in notice.transitions:
            if transition.is_raise:
                told[transition.id] = max(notice.t, told.get(transition.id, notice.t))
    return told


_MOST_REFERENCES = 20
"""A header has to stay small however long the mail was out; the newest threads count."""


class _Occasion(NamedTuple):
    """What sets a notice apart from others of the same transitions, and when it is written."""

    mark: str
    t: int
    utc_ms: int

    @classmethod
    def of(cls, transition: Transition) -> "_Occasion":
        """The transition itself."""
        return cls(transition.state.value, transition.t, transition.utc_ms)


def plan(transitions: Sequence[Transition], config: Config) -> list[Notice]:
    """Give the notices for transitions that were emitted at one instant, in their order.

    E-mail tells raises and returns, those of one cause in one mail. MQTT publishes every
    transition, the command runs once for each raise and return; all within the priorities of the
    channel.
    """
    mailed = [each for each in _wanted("email", transitions, config) if _is_told(each)]
    notices = [
        _mail(_kind(group), group, config, _Occasion.of(group[0])) for group in _by_cause(mailed)
    ]
    for channel in ("mqtt", "command"):
        notices += [
            _single(channel, _kind([each]), each, _Occasion.of(each))
            for each in _wanted(channel, transitions, config)
            if channel == "mqtt" or _is_told(each)
        ]
    return notices


def plan_repeat(due: DueRepeat, config: Config, t: int, offset_ms: int) -> list[Notice]:
    """Give the notices that tell standing raises again; MQTT keeps its last message anyway.

    `t` is the watch time now (ms), `offset_ms` what must be added to it to get UTC.
    """
    occasion = _Occasion(f"repeat-{due.due_t}", t, t + offset_ms)
    mailed = _wanted("email", due.transitions, config)
    notices = [_mail("repeat", mailed, config, occasion)] if mailed else []
    commanded = _wanted("command", due.transitions, config)
    return notices + [_single("command", "repeat", each, occasion) for each in commanded]


def plan_again(
    transitions: Sequence[Transition], config: Config, t: int, utc_ms: int
) -> list[Notice]:
    """Give what a broker that has lost its memory must be told again, one notice an alarm.

    They tell nobody anything new: they go to MQTT alone, and are not written down. `transitions`
    are the last one published of each alarm that is not normal, in their order.
    """
    occasion = _Occasion("again", t, utc_ms)
    wanted = _wanted("mqtt", transitions, config)
    return [_single("mqtt", "again", each, occasion) for each in wanted]


def plan_digest(members: Sequence[Notice], config: Config, t: int, offset_ms: int) -> Notice:
    """Give the one mail that tells what several waiting mails were to tell."""
    told = {
        (transition.id, transition.t, transition.state): transition
        for notice in sorted(members, key=lambda notice: notice.t)
        for transition in notice.transitions
    }
    notice_id = f"email-digest-{_token(*sorted(notice.id for notice in members))}"
    return Notice(
        id=notice_id,
        channel="email",
        kind="digest",
        t=t,
        utc_ms=t + offset_ms,
        transitions=tuple(told.values()),
        message_id=_message_id(config, config.site.name, notice_id),
    )


def plan_together(members: Sequence[Notice], config: Config) -> Notice:
    """Give the one mail of returns that came one after the other and were raised in one mail."""
    last = max(members, key=lambda notice: notice.t)
    mark = f"together-{_token(*sorted(notice.id for notice in members))}"
    returned = [transition for notice in members for transition in notice.transitions]
    return _mail("return", returned, config, _Occasion(mark, last.t, last.utc_ms))


def plan_test(config: Config, t: int, utc_ms: int) -> list[Notice]:
    """Give a test notice for every channel that is set up.

    The command is run twice, as for a raise and its return: a siren that a test starts has to be
    stopped again.
    """
    raised, returned = _test_transitions(config, t, utc_ms)
    notices: list[Notice] = []
    if config.notify.email is not None:
        notices.append(_mail("test", [raised], config, _Occasion.of(raised)))
    if config.notify.mqtt.enabled:
        notices.append(_single("mqtt", "test", raised, _Occasion.of(raised)))
    if config.notify.command is not None:
        notices += [
            _single("command", "test", each, _Occasion.of(each)) for each in (raised, returned)
        ]
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
        message_id=_message_id(config, config.site.name, notice_id),
        recipients=recipients,
        week=week,
    )


def summary_notice_id(week: str) -> str:
    """Give the id of a week's summary, of which there is only one ever."""
    return f"email-summary-{week}"


def thread_roots(notice: Notice, config: Config) -> list[str]:
    """Give the Message-IDs of the first mails of all the alarms that a mail tells of.

    A mail that tells of several alarms carries one of them as its own Message-ID and refers to the
    others, so that whatever follows on any of them finds the thread.
    """
    roots = dict.fromkeys(_root(transition, config) for transition in notice.transitions)
    roots.pop(notice.message_id, None)
    return list(roots)[-_MOST_REFERENCES:]


def _wanted(
    channel: Channel, transitions: Iterable[Transition], config: Config
) -> list[Transition]:
    settings = getattr(config.notify, channel)
    if settings is None or (channel == "mqtt" and not settings.enabled):
        return []
    return [each for each in transitions if each.priority.value in settings.priorities]


def _is_told(transition: Transition) -> bool:
    return transition.is_raise or transition.is_return


def _kind(group: Sequence[Transition]) -> NoticeKind:
    if any(transition.is_raise for transition in group):
        return "raise"
    return "return" if any(transition.is_return for transition in group) else "change"


def _by_cause(transitions: Iterable[Transition]) -> list[list[Transition]]:
    """Gather what one mail tells.

    Raises lead: the thread and the subject of a mixed mail are those of the alarm that stands.
    """
    groups: dict[tuple[int, str], list[Transition]] = {}
    for transition in sorted(transitions, key=lambda each: not each.is_raise):
        groups.setdefault((transition.t, transition.cause), []).append(transition)
    return list(groups.values())


def _mail(
    kind: NoticeKind, group: Sequence[Transition], config: Config, occasion: _Occasion
) -> Notice:
    first = group[0]
    notice_id = f"email-{first.id}-{first.t}-{occasion.mark}"
    root = _root(first, config)
    opens = first.is_raise and first.previous is AlarmState.NORMAL and kind != "repeat"
    return Notice(
        id=notice_id,
        channel="email",
        kind=kind,
        t=occasion.t,
        utc_ms=occasion.utc_ms,
        transitions=tuple(group),
        message_id=root if opens else _message_id(config, first.site, notice_id),
        in_reply_to=None if opens else root,
    )


def _single(
    channel: Channel, kind: NoticeKind, transition: Transition, occasion: _Occasion
) -> Notice:
    return Notice(
        id=f"{channel}-{transition.id}-{transition.t}-{occasion.mark}",
        channel=channel,
        kind=kind,
        t=occasion.t,
        utc_ms=occasion.utc_ms,
        transitions=(transition,),
    )


def _root(transition: Transition, config: Config) -> str:
    """Give the Message-ID of the mail that raises this occurrence."""
    return _message_id(config, transition.site, transition.id)


def _message_id(config: Config, *parts: str) -> str:
    email = config.notify.email
    domain = parseaddr(email.from_)[1].rpartition("@")[2] if email is not None else ""
    return f"<{_token(*parts)}@{domain or 'localhost'}>"


def _token(*parts: str) -> str:
    return blake2b("\0".join(parts).encode(), digest_size=12).hexdigest()


def _test_transitions(config: Config, t: int, utc_ms: int) -> tuple[Transition, Transition]:
    def transition(state: AlarmState, previous: AlarmState, text: str) -> Transition:
        return Transition(
            t=t,
            utc_ms=utc_ms,
            id=f"{TEST_CONDITION}-{t}",
            site=config.site.name,
            subject="site",
            condition=TEST_CONDITION,
            state=state,
            previous=previous,
            priority=Priority.LOW,
            text=text,
            values={},
            cause=TEST_CONDITION,
        )

    unacknowledged = AlarmState.UNACKNOWLEDGED
    name = config.site.name
    return (
        transition(
            unacknowledged, AlarmState.NORMAL, f"This is a test from {name}: nothing is wrong."
        ),
        transition(AlarmState.NORMAL, unacknowledged, f"The test from {name} is over."),
    )
