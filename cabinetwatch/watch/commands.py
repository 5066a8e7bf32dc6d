"""What a person may do to alarms: acknowledge, shelve, unshelve, take out of service and back."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from cabinetwatch.times import describe_duration
from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.transition import AlarmState

_LONGEST_S = 100 * 366 * 86_400.0


@dataclass(slots=True)
class Answer:
    """What became of a command: one sentence, and the alarms to look at anew."""

    ok: bool
    text: str
    alarms: list[Alarm] = field(default_factory=list)


def carry_out(command: Mapping[str, Any], alarms: Iterable[Alarm], t: int) -> Answer:
    """Carry out one command at `t` (watch ms). What can't be done is answered, never raised."""
    name, for_s = command.get("command"), command.get("for_s")
    if not _is_span(for_s) and (for_s is not None or name == "shelve"):
        return Answer(False, f"There is no waiting for {for_s!r} seconds.")
    if name in {"service-out", "service-in"}:
        return _service(command, [a for a in alarms if a.subject == command.get("subject")], t)
    alarm = next((a for a in alarms if a.id and a.id == command.get("id")), None)
    if alarm is None:
        return Answer(False, f"There is no standing alarm with the ID {command.get('id')!r}.")
    return _on_alarm(command, alarm, t)


def _on_alarm(command: Mapping[str, Any], alarm: Alarm, t: int) -> Answer:
    name = command.get("command")
    if name == "ack":
        return _acknowledge(command, alarm)
    if name == "shelve":
        return _shelve(command, alarm, t)
    if name == "unshelve":
        return _unshelve(alarm)
    return Answer(False, f"There is no command {name!r}.")


def _is_span(for_s: object) -> bool:
    return isinstance(for_s, int | float) and 0 < for_s <= _LONGEST_S


def _acknowledge(command: Mapping[str, Any], alarm: Alarm) -> Answer:
    if alarm.state not in {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED}:
        return Answer(False, f"{_named(alarm)} is {alarm.state}; there is nothing to acknowledge.")
    alarm.acknowledge()
    alarm.remark = _remark(command)
    return Answer(True, f"{_named(alarm)} is acknowledged.", [alarm])


def _shelve(command: Mapping[str, Any], alarm: Alarm, t: int) -> Answer:
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        return Answer(False, f"{_named(alarm)} is out of service and can't be shelved.")
    for_s = float(command["for_s"])
    alarm.shelve(t + round(for_s * 1000))
    alarm.remark = _remark(command)
    return Answer(True, f"{_named(alarm)} is shelved for {describe_duration(for_s)}.", [alarm])


def _unshelve(alarm: Alarm) -> Answer:
    if alarm.state is not AlarmState.SHELVED:
        return Answer(False, f"{_named(alarm)} is not shelved.")
    alarm.unshelve()
    return Answer(True, f"{_named(alarm)} is no longer shelved.", [alarm])


def _service(command: Mapping[str, Any], alarms: list[Alarm], t: int) -> Answer:
    subject = command.get("subject")
    if not alarms:
        return Answer(False, f"There is no subject {subject!r} with alarms.")
    if command["command"] == "service-in":
        for alarm in alarms:
            alarm.put_in()
        return Answer(True, f"{subject} is back in service.", alarms)
    for_s = command.get("for_s")
    for alarm in alarms:
        alarm.take_out(None if for_s is None else t + round(float(for_s) * 1000))
        alarm.remark = _remark(command)
    span = "" if for_s is None else f" for {describe_duration(float(for_s))}"
    return Answer(True, f"{subject} is out of service{span}.", alarms)


def _named(alarm: Alarm) -> str:
    return f"{alarm.condition.name} of {alarm.subject}"


def _remark(command: Mapping[str, Any]) -> str:
    """Put claimed name and reason together; both are somebody's words."""
    parts = []
    if command.get("by"):
        parts.append(f"by {command['by']}")
    if command.get("reason"):
        parts.append(str(command["reason"]))
    return ", ".join(parts)
