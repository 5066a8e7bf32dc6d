"""The alarms of a week, and the measures of ISA-18.2 over them. Pure.

What is common practice in control rooms (ISA-18.2, IEC 62682, EEMUA 191) is told as such by the
mail; the figures here are counts and spans, without a judgement.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise

from cabinetwatch.notify.phrases import predicate
from cabinetwatch.report.summary_chatter import PauseOf, chattering, most_within
from cabinetwatch.report.summary_due import Span
from cabinetwatch.report.summary_figures import AlarmMeasures, AlarmWeek, Busy, Hidden
from cabinetwatch.watch.transition import AlarmState, Priority, Transition

_TEN_MINUTES_MS = 600_000
_STALE_S = 86_400.0
"""Stale: standing for over a day (ISA-18.2, from memory)."""

_MOST_BUSY = 10
_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_HIDDEN = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}


def alarms_of(
    histories: Iterable[Sequence[Transition]], names: Mapping[str, str], week: Span
) -> list[AlarmWeek]:
    """Give the occurrences that were seen in a week, in order of their raise.

    Args:
        histories: for each occurrence all its transitions up to the week's end, in order.
        names: what people call each subject.
        week: from when up to when.
    """
    found = [_alarm(history, names, week) for history in histories]
    return sorted(
        (alarm for alarm in found if alarm is not None), key=lambda alarm: alarm.raised_utc_ms
    )


def measures_of(
    transitions: Sequence[Transition],
    alarms: Sequence[AlarmWeek],
    names: Mapping[str, str],
    days: float,
    off_delay_s: Callable[[str, str], float | None],
) -> AlarmMeasures:
    """Give the measures over a week.

    Args:
        transitions: of the week, in order.
        alarms: the occurrences seen in it.
        names: what people call each subject.
        days: how long it was.
        off_delay_s: gives that of a condition and a subject; None if it has none to set.
    """
    raises = [each for each in transitions if each.is_raise]
    counts = Counter((each.subject, each.condition) for each in raises)
    says = {(each.subject, each.condition): predicate(each) for each in raises}
    pauses = PauseOf(transitions)
    return AlarmMeasures(
        raises=len(raises),
        per_day=len(raises) / days if days else 0.0,
        most_in_ten_minutes=most_within([each.utc_ms for each in raises], _TEN_MINUTES_MS),
        by_priority={
            priority.value: sum(each.priority is priority for each in raises)
            for priority in Priority
        },
        busiest=[
            Busy(
                name=names.get(key[0], key[0]),
                says=says[key],
                condition=key[1],
                raises=count,
                share=count / len(raises),
            )
            for key, count in counts.most_common(_MOST_BUSY)
        ],
        chattering=chattering(raises, pauses, names, off_delay_s),
        stale=[
            f"{alarm.name} {alarm.says}"
            for alarm in alarms
            if alarm.state in _STANDS and alarm.stood_s > _STALE_S
        ],
    )


def hidden_of(standing: Iterable[Transition], names: Mapping[str, str]) -> list[Hidden]:
    """Give what somebody had put out of sight, a subject out of service as one."""
    hidden: dict[tuple[str, str], Hidden] = {}
    for each in standing:
        if each.state not in _HIDDEN:
            continue
        whole = each.state is AlarmState.OUT_OF_SERVICE
        key = each.subject, each.state.value if whole else each.id
        known = hidden.get(key)
        hidden[key] = Hidden(
            subject=each.subject,
            name=names.get(each.subject, each.subject),
            conditions=[*(known.conditions if known else ()), each.condition],
            state=each.state.value,
            text=each.text,
        )
    return list(hidden.values())


def _alarm(history: Sequence[Transition], names: Mapping[str, str], week: Span) -> AlarmWeek | None:
    raised = next((each for each in history if each.is_raise), None)
    if raised is None or not _seen_in(history, week):
        return None
    last = history[-1]
    told = [each for each in history if each.is_raise][-1]
    ended = last.utc_ms if last.state not in _STANDS else None
    returned = [each for each in history if each.state is AlarmState.RETURNED]
    return AlarmWeek(
        id=raised.id,
        subject=raised.subject,
        name=names.get(raised.subject, raised.subject),
        condition=raised.condition,
        says=predicate(raised),
        priority=told.priority.value,
        raised_utc_ms=raised.utc_ms,
        ended_utc_ms=_ended(history) if ended is not None else None,
        raises=sum(each.is_raise and week[0] <= each.utc_ms < week[1] for each in history),
        stood_s=_stood_s(history, week[1]),
        acknowledged_s=_acknowledged_s(history, raised),
        state=last.state.value,
        returned_t=returned[-1].t if last.state is AlarmState.RETURNED else None,
        text=told.text,
        likely=told.likely,
        response=told.response,
    )


def _seen_in(history: Sequence[Transition], week: Span) -> bool:
    """Whether it moved in the week, or stood through it."""
    return history[-1].utc_ms >= week[0] or history[-1].state in _STANDS | {AlarmState.RETURNED}


def _ended(history: Sequence[Transition]) -> int:
    """Give the instant at which it last stopped standing."""
    ended = history[-1].utc_ms
    for before, after in pairwise(history):
        if before.state in _STANDS and after.state not in _STANDS:
            ended = after.utc_ms
    return ended


def _stood_s(history: Sequence[Transition], until_utc_ms: int) -> float:
    """Give how long it stood in all, on watch time as far as that is known."""
    stood_ms = 0
    for before, after in pairwise(history):
        if before.state in _STANDS:
            stood_ms += after.t - before.t
    if history[-1].state in _STANDS:
        stood_ms += max(0, until_utc_ms - history[-1].utc_ms)
    return stood_ms / 1000


def _acknowledged_s(history: Sequence[Transition], raised: Transition) -> float | None:
    for each in history:
        late = each.previous is AlarmState.RETURNED and each.state is AlarmState.NORMAL
        if each.state is AlarmState.ACKNOWLEDGED or late:
            return (each.t - raised.t) / 1000
    return None
