"""Which notices follow from transitions. Pure: the same transitions give the same notices."""

from collections.abc import Iterable, Sequence
from email.utils import parseaddr
from hashlib import blake2b
from typing import NamedTuple

from cabinetwatch.config.model import Config
from cabinetwatch.notify.phrases import TEST_CONDITION
from cabinetwatch.notify.repeats import DueRepeat
from cabinetwatch.store.notice import Channel, Notice, NoticeKind
from cabinetwatch.watch.transition import AlarmState, Priority, Transition

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

    Args:
        due: What is told again, and since when it has been due.
        config: The configuration in force.
        t: Watch time now (ms), the time of the notices.
        offset_ms: What must be added to watch time to get UTC.
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

    They tell nobody anything new: they go to MQTT alone, and are not written down.

    Args:
        transitions: The last one published of each alarm that is not normal, in their order.
        config: The configuration in force.
        t: Watch time now (ms), the time of the notices.
        utc_ms: The same instant in UTC.
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
    """Give the notice that mails the summary of a week.

    Args:
        week: such as 2026-W47.
        returned: the returned alarms that it lists.
        recipients: to whom.
        config: in force.
        t: watch time now (ms).
        utc_ms: the same instant in UTC.
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
