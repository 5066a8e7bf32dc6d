"""From an alarm that moved to the transition that tells of it."""

import re
from collections.abc import Callable

from cabinetwatch.times import describe_duration, to_rfc3339
from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.transition import AlarmState, Priority, Transition

_SHOWN_AGAIN = {
    AlarmState.SHELVED: "No longer shelved",
    AlarmState.SUPPRESSED: "No longer suppressed",
    AlarmState.OUT_OF_SERVICE: "Back in service",
}
_SO_FOR = "it has been so for"
_SO_FOR_THEN = re.compile(rf"; {_SO_FOR} [^.;]*\.$")


def without_span(text: str) -> str:
    """Give what a transition told, without for how long: later on that is no longer true.

    >>> without_span("The fan stands still; it has been so for 1 min.")
    'The fan stands still.'
    """
    return _SO_FOR_THEN.sub(".", text)


def transition_of(
    alarm: Alarm, previous: AlarmState, t: int, site: str, offset_ms: int
) -> Transition:
    """Describe a move that has just happened at `t` (watch ms)."""
    condition = alarm.condition
    since_t = alarm.since_t
    values = condition.values()
    values["since"] = None if since_t is None else to_rfc3339(since_t + offset_ms)
    return Transition(
        t=t,
        utc_ms=t + offset_ms,
        id=alarm.id,
        site=site,
        subject=alarm.subject,
        condition=condition.name,
        state=alarm.state,
        previous=previous,
        priority=condition.priority,
        text=_TELLERS[alarm.state](alarm, previous, t),
        values=values,
        cause=condition.cause,
        likely=condition.suspicion,
        response=condition.advice,
    )


def plainly(
    alarm: Alarm, previous: AlarmState, t: int, site: str, offset_ms: int, *, error: str
) -> Transition:
    """Describe a move whose sentence or figures can't be put together: it is told all the same."""
    condition = alarm.condition
    return Transition(
        t=t,
        utc_ms=t + offset_ms,
        id=alarm.id,
        site=site,
        subject=alarm.subject,
        condition=condition.name,
        state=alarm.state,
        previous=previous,
        priority=Priority(condition.settings.priority or "medium"),
        text=f"{condition.name} of {alarm.called} is {alarm.state.value} now; its figures failed.",
        values={"error": error},
        cause=alarm.key,
        likely="",
        response=condition.settings.response or condition.response,
    )


def _raised(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    return _lasting(alarm, t, _seen(alarm), f"{_SO_FOR} {{}}")


def _acknowledged(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del t
    if previous in _SHOWN_AGAIN:
        # The remark is by then that of whoever hid it.
        return f"{_SHOWN_AGAIN[previous]}; acknowledged before: {_present(alarm)}"
    return f"Acknowledged{_remark(alarm)}: {_present(alarm)}"


def _returned(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    return _lasting(alarm, t, alarm.condition.gone(), "it lasted {}")


def _normal(alarm: Alarm, previous: AlarmState, t: int) -> str:
    if previous is AlarmState.ACKNOWLEDGED:
        return _returned(alarm, previous, t)
    if previous is AlarmState.RETURNED:
        return f"Acknowledged{_remark(alarm)} after it had returned: {_present(alarm)}"
    if previous is AlarmState.SUPPRESSED:
        return f"No longer suppressed, and gone: {alarm.condition.gone()}"
    if previous is AlarmState.SHELVED:
        return f"No longer shelved, and gone: {alarm.condition.gone()}"
    return f"Back in service, and {alarm.condition.name} does not stand for {alarm.called}."


def _shelved(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    left = describe_duration(((alarm.shelved_until_t or t) - t) / 1000)
    return f"Shelved for {left}{_remark(alarm)}: {_present(alarm)}"


def _suppressed(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous, t
    if alarm.withheld_by:
        return f"Suppressed during the trial {alarm.withheld_by}: {alarm.condition.seen()}"
    told_by = ", ".join(
        f"{other.condition.name} of {other.called}" for other in alarm.hidden_by if other.stands
    )
    return f"Suppressed, being told by {told_by}: {alarm.condition.seen()}"


def _out_of_service(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    left = ""
    if alarm.out_until_t is not None:
        left = f" for {describe_duration((alarm.out_until_t - t) / 1000)}"
    return f"Taken out of service{left}{_remark(alarm)}."


def _present(alarm: Alarm) -> str:
    """Say what is seen now, whatever the state: a returned alarm's condition may be coming back."""
    return _seen(alarm) if alarm.active or alarm.raw else alarm.condition.gone()


def _seen(alarm: Alarm) -> str:
    """Say what is seen, and what a trial makes urgent about it."""
    sentence, urge = alarm.condition.seen(), alarm.condition.urge
    return f"{sentence.removesuffix('.')}; {urge}." if urge else sentence


def _lasting(alarm: Alarm, t: int, sentence: str, clause: str) -> str:
    """Add for how long to a sentence, once that is long enough to matter."""
    if alarm.since_t is None or t - alarm.since_t < 1000:
        return sentence
    span = describe_duration((t - alarm.since_t) / 1000)
    return f"{sentence.removesuffix('.')}; {clause.format(span)}."


def _remark(alarm: Alarm) -> str:
    return f" ({alarm.remark})" if alarm.remark else ""


_TELLERS: dict[AlarmState, Callable[[Alarm, AlarmState, int], str]] = {
    AlarmState.UNACKNOWLEDGED: _raised,
    AlarmState.ACKNOWLEDGED: _acknowledged,
    AlarmState.RETURNED: _returned,
    AlarmState.NORMAL: _normal,
    AlarmState.SHELVED: _shelved,
    AlarmState.SUPPRESSED: _suppressed,
    AlarmState.OUT_OF_SERVICE: _out_of_service,
}
