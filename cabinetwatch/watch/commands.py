"""What people order and say they did: acknowledge, shelve, out of service, learn, trials, notes.

What can't be done is answered in a sentence, never raised.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from cabinetwatch.text import NBSP, describe_duration, from_rfc3339, local_time, printable
from cabinetwatch.watch.alarms import LONGEST_HIGH_S, Alarm, AlarmManager
from cabinetwatch.watch.conditions.base import watts
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import AlarmState, Priority
from cabinetwatch.watch.incidents import IncidentBook
from cabinetwatch.watch.site import SiteModel
from cabinetwatch.watch.trials import CHANGED, TrialBook

NOT_VERIFIED = "not verified until somebody has checked that every fan is turning"
"""What must be said with everything learnt: a fan that had stopped already was learnt as normal."""

LONGEST_NOTE = 500
_LONGEST_S = 100 * 366 * 86_400.0

_TO_ACKNOWLEDGE = {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED}
_TO_SHELVE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_TRIALS = {"trial-begin", "trial-phase", "trial-end"}


@dataclass(slots=True)
class CommandResult:
    """What became of a command: one sentence, and the alarms to look at anew."""

    ok: bool
    text: str
    alarms: list[Alarm] = field(default_factory=list)


def carry_out(
    command: Mapping[str, Any],
    manager: AlarmManager,
    model: SiteModel,
    books: tuple[TrialBook, IncidentBook],
    now: tuple[int, int],
) -> CommandResult:
    """Carry out one command; `now` is watch ms, and what makes UTC of it."""
    (book, incidents), name, (t, offset_ms) = books, command.get("command"), now
    try:
        command = _as_of(command, t + offset_ms, model.config.site.timezone)
    except ValueError as error:
        return CommandResult(False, f"{error}.")
    if name == "note":
        return _note(command, manager, model, t, offset_ms)
    if name == "learn":
        return _learn(command, manager, model, t)
    if name == "ack":
        return _acknowledge(command, incidents)
    if name not in _TRIALS:
        return _on_alarms(command, manager, incidents, t)
    return _on_trial(command, manager, model, book, t + offset_ms)


def _on_trial(
    command: Mapping[str, Any],
    manager: AlarmManager,
    model: SiteModel,
    book: TrialBook,
    utc_ms: int,
) -> CommandResult:
    try:
        told = book.take(command, model.devices, utc_ms)
    except ValueError as error:
        return CommandResult(False, f"{error}.")
    withhold(book, manager, model.devices)
    return CommandResult(True, told, manager.of_kind("device"))


def _as_of(command: Mapping[str, Any], utc_ms: int, timezone: str) -> Mapping[str, Any]:
    """Give a command as it is at an instant (UTC): for how long, where it says until when.

    Raises:
        ValueError: it comes too late, or says no instant.
    """
    by, until = command.get("done_by"), command.get("until")
    if by is not None and (by_ms := from_rfc3339(str(by))) < utc_ms:
        when = local_time(by_ms, timezone)
        raise ValueError(f"This comes too late: it was to be done by {when}, or not at all")
    if until is None:
        return command
    until_ms = from_rfc3339(str(until))
    if until_ms <= utc_ms:
        raise ValueError(f"This comes too late: {local_time(until_ms, timezone)} is over")
    return {**command, "for_s": (until_ms - utc_ms) / 1000}


def _acknowledge(command: Mapping[str, Any], incidents: IncidentBook) -> CommandResult:
    """Acknowledge an incident, one alarm, those of a device or sensor, or all there are."""
    wanted = None if command.get("all") is True else str(command.get("id"))
    alarms = incidents.alarms_of(wanted)
    if wanted is not None and not any(alarm.id for alarm in alarms):
        return CommandResult(False, f"Nothing with the ID {wanted!r} is on or waits for anybody.")
    waiting = [alarm for alarm in alarms if alarm.state in _TO_ACKNOWLEDGE]
    if not waiting:
        told = ", ".join(f"{alarm.named} is {alarm.state}" for alarm in alarms if alarm.id)
        return CommandResult(False, f"There is nothing to acknowledge{told and f': {told}'}.")
    for alarm in waiting:
        alarm.acknowledged = True
        alarm.acknowledged_by = printable(str(command.get("by") or ""))
        alarm.remark = _remark(command)
    return CommandResult(True, f"{_are(waiting)} acknowledged.", waiting)


def _are(alarms: Sequence[Alarm]) -> str:
    named = ", ".join(alarm.named for alarm in alarms)
    return f"{named} {'is' if len(alarms) == 1 else 'are'}"


def _on_alarms(
    command: Mapping[str, Any], manager: AlarmManager, incidents: IncidentBook, t: int
) -> CommandResult:
    name, for_s, wanted_id = command.get("command"), command.get("for_s"), command.get("id")
    if not _is_span(for_s) and (for_s is not None or name == "shelve"):
        return CommandResult(False, f"{for_s!r} is no duration in seconds above 0.")
    if "incident" in command:
        return _on_incident(command, incidents.alarms_of(str(command["incident"])), t)
    if name in {"service-out", "service-in"}:
        return _service(command, manager, t)
    alarm = next((a for a in manager.alarms.values() if a.id and a.id == wanted_id), None)
    if alarm is None:
        return CommandResult(False, f"There is no active alarm with the ID {wanted_id!r}.")
    return _on_alarm(command, alarm, t)


def _is_span(for_s: object) -> bool:
    return isinstance(for_s, int | float) and 0 < for_s <= _LONGEST_S


def _on_incident(command: Mapping[str, Any], members: Sequence[Alarm], t: int) -> CommandResult:
    """Shelve what is to be seen of an incident, or take it off; what comes on top of it is told."""
    match command.get("command"):
        case "shelve" if seen := [each for each in members if each.state in _TO_SHELVE]:
            return _shelve(command, seen, t)
        case "unshelve" if hidden := [e for e in members if e.state is AlarmState.SHELVED]:
            for alarm in hidden:
                alarm.shelved_until_t = None
            return CommandResult(True, f"{_are(hidden)} no longer shelved.", hidden)
    return CommandResult(
        False, f"Incident {command['incident']!r} is over, or that was done already."
    )


def _shelve(command: Mapping[str, Any], alarms: Sequence[Alarm], t: int) -> CommandResult:
    for_s = float(command["for_s"])
    high = [alarm for alarm in alarms if alarm.priority is Priority.HIGH]
    if high and for_s > LONGEST_HIGH_S:
        most = describe_duration(LONGEST_HIGH_S)
        return CommandResult(
            False, f"{high[0].named} is of high priority and can be shelved for {most} at most."
        )
    for alarm in alarms:
        alarm.shelve(t + round(for_s * 1000))
        alarm.remark = _remark(command)
    return CommandResult(True, f"{_are(alarms)} shelved for {describe_duration(for_s)}.", [*alarms])


def _on_alarm(command: Mapping[str, Any], alarm: Alarm, t: int) -> CommandResult:
    name, state = command.get("command"), alarm.state
    match name:
        case "ack-returned" if state is not AlarmState.RETURNED:
            # What stands, or stands again, is for a person to acknowledge.
            return CommandResult(False, f"{alarm.named} is {state}, not returned.")
        case "ack-returned":
            alarm.acknowledged = True
            alarm.remark = _remark(command)
            done = "is acknowledged"
        case "shelve":
            if state is AlarmState.OUT_OF_SERVICE:
                return CommandResult(
                    False, f"{alarm.named} is out of service and can't be shelved."
                )
            return _shelve(command, [alarm], t)
        case "unshelve":
            if state is not AlarmState.SHELVED:
                return CommandResult(False, f"{alarm.named} is not shelved.")
            alarm.shelved_until_t = None
            done = "is no longer shelved"
        case _:
            return CommandResult(False, f"There is no command {name!r}.")
    return CommandResult(True, f"{alarm.named} {done}.", [alarm])


def _service(command: Mapping[str, Any], manager: AlarmManager, t: int) -> CommandResult:
    subject, for_s = command.get("subject"), command.get("for_s")
    alarms = [alarm for alarm in manager.alarms.values() if alarm.subject == subject]
    if not alarms:
        return CommandResult(False, f"There is no subject {subject!r} with alarms.")
    if command["command"] == "service-in":
        for alarm in alarms:
            alarm.put_in()
        return CommandResult(True, f"{alarms[0].called} is back in service.", alarms)
    for alarm in alarms:
        alarm.take_out(None if for_s is None else t + round(float(for_s) * 1000))
        alarm.remark = _remark(command)
    span = "" if for_s is None else f" for {describe_duration(float(for_s))}"
    return CommandResult(True, f"{alarms[0].called} is out of service{span}.", alarms)


def _remark(command: Mapping[str, Any]) -> str:
    """Put claimed name, address and reason together: somebody's words, so they are escaped."""
    by, place, reason = (command.get(key) for key in ("by", "address", "reason"))
    said = (by and f"by {by}", place and f"from {place}", reason and str(reason))
    return printable(", ".join(filter(None, said)))


def _learn(
    command: Mapping[str, Any], manager: AlarmManager, model: SiteModel, t: int
) -> CommandResult:
    """Begin to learn from now on, take over what an interval of the record has taught, or verify.

    Neither while the device is too warm: what it shows then must not pass for normal.
    """
    device = model.devices.get(str(command.get("device")))
    if device is None:
        return CommandResult(False, f"There is no device {command.get('device')!r}.")
    if device.ambient is None:
        return CommandResult(
            False, f"{device.name} has no sensor of the surrounding air, so no rise to learn."
        )
    hot = [
        alarm.named
        for alarm in manager.alarms.values()
        if alarm.active and alarm.condition.is_heat and alarm.subject == device.id
    ]
    if hot and not command.get("anyway"):
        return CommandResult(False, too_hot_to_learn(hot[0]))
    if command.get("verified"):
        device.verified_t = t
        return CommandResult(True, f"{device.name} is verified: every fan was seen turning.")
    observer = command.get("observer")
    try:
        device.learn_anew(observer)
    except (KeyError, TypeError, ValueError):
        return CommandResult(False, f"What was learnt of {device.name} is of another version.")
    days = f"from now on for {device.settings.learning_days:zg}{NBSP}d"
    told = f"{device.name} learns its normal rise and response again, {days}."
    if observer is not None:
        told = _learnt(device)
    return CommandResult(True, told, list(manager.of_steps[device.id]))


def too_hot_to_learn(alarm: str) -> str:
    """Say why nothing is learnt while an alarm on a device's heat is active."""
    return (
        f"{alarm} is active and would be learnt as normal: wait until it is over, or add --anyway."
    )


def _learnt(device: DeviceView) -> str:
    """Say what is in force after a lesson."""
    normal, status = device.observer.normal, device.observer.learning
    told = f"{device.name} has learnt"
    if normal is not None:
        at = "" if normal.power_w is None else f" at {watts(normal.power_w)}"
        told += f" a normal rise of {device.unit.difference(normal.rise_k)}{at}"
    confidence = f" (confidence: {status.confidence})" if status.confidence else ""
    return f"{told}{confidence}; {NOT_VERIFIED}."


def withhold(book: TrialBook, manager: AlarmManager, devices: Mapping[str, DeviceView]) -> None:
    """Tell each device of its trial, and each alarm whether that suppresses it by design."""
    for device in devices.values():
        trial = book.open_of(device.id)
        device.trial = trial if trial is not None and trial.phase in CHANGED else None
    for alarm in manager.of_kind("device"):
        trial = devices[alarm.subject].trial
        hidden = trial is not None and alarm.condition.withheld_in_trial
        alarm.withheld_by = trial.name if trial is not None and hidden else ""


def _note(
    command: Mapping[str, Any], manager: AlarmManager, model: SiteModel, t: int, offset_ms: int
) -> CommandResult:
    """Take a note: the trend of the device, or of all, starts anew from it."""
    name, at = command.get("device"), command.get("at")
    if name is not None and name not in model.devices:
        return CommandResult(False, f"There is no device {name!r}.")
    try:
        since_t = t if at is None else from_rfc3339(str(at)) - offset_ms
    except ValueError as error:
        return CommandResult(False, f"{error}.")
    if since_t > t:
        return CommandResult(False, f"{at} is in the future; a note says what was done.")
    for device in model.devices.values():
        if name in {None, device.id}:
            device.watch_drift_from(since_t)
    text = printable(str(command.get("text", "")))[:LONGEST_NOTE]
    whose = "the cabinet" if name is None else str(name)
    return CommandResult(
        True,
        f"Noted for {whose}: {text}. Its drift is watched anew from then on.",
        [
            alarm
            for alarm in manager.of_kind("device")
            if alarm.condition.rests_on_trend and name in {None, alarm.subject}
        ],
    )
