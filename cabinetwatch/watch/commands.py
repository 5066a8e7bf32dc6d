"""What people order and say they did: acknowledge, shelve, out of service, trials, notes."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from cabinetwatch.clock import describe_duration, from_rfc3339
from cabinetwatch.text import printable
from cabinetwatch.watch.alarms import Alarm
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import AlarmState
from cabinetwatch.watch.trials import CHANGED, WITHHELD, TrialBook

NOT_VERIFIED = "not verified until somebody has checked that every fan turns"
"""What must be said with everything learnt: a fan that stood already was learnt as normal."""

_LONGEST_S = 100 * 366 * 86_400.0


@dataclass(slots=True)
class CommandResult:
    """What became of a command: one sentence, and the alarms to look at anew."""

    ok: bool
    text: str
    alarms: list[Alarm] = field(default_factory=list)


def carry_out(
    command: Mapping[str, Any],
    alarms: Iterable[Alarm],
    devices: Mapping[str, DeviceView],
    t: int,
) -> CommandResult:
    """Carry out one command at `t` (watch ms). What can't be done is answered, never raised."""
    name, for_s = command.get("command"), command.get("for_s")
    if name == "learn":
        return _learn(command, devices)
    if not _is_span(for_s) and (for_s is not None or name == "shelve"):
        return CommandResult(False, f"There is no waiting for {for_s!r} seconds.")
    if name in {"service-out", "service-in"}:
        return _service(command, [a for a in alarms if a.subject == command.get("subject")], t)
    alarm = next((a for a in alarms if a.id and a.id == command.get("id")), None)
    if alarm is None:
        return CommandResult(
            False, f"There is no standing alarm with the ID {command.get('id')!r}."
        )
    return _on_alarm(command, alarm, t)


def _on_alarm(command: Mapping[str, Any], alarm: Alarm, t: int) -> CommandResult:
    name = command.get("command")
    if name == "ack":
        return _acknowledge(command, alarm)
    if name == "ack-returned":
        return _acknowledge_returned(command, alarm)
    if name == "shelve":
        return _shelve(command, alarm, t)
    if name == "unshelve":
        return _unshelve(alarm)
    return CommandResult(False, f"There is no command {name!r}.")


def _is_span(for_s: object) -> bool:
    return isinstance(for_s, int | float) and 0 < for_s <= _LONGEST_S


def _acknowledge(command: Mapping[str, Any], alarm: Alarm) -> CommandResult:
    if alarm.state not in {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED}:
        return CommandResult(
            False, f"{_named(alarm)} is {alarm.state}; there is nothing to acknowledge."
        )
    alarm.acknowledge()
    alarm.remark = _remark(command)
    return CommandResult(True, f"{_named(alarm)} is acknowledged.", [alarm])


def _acknowledge_returned(command: Mapping[str, Any], alarm: Alarm) -> CommandResult:
    """Acknowledge what is over; what stands, or stands again, is for a person to acknowledge."""
    if alarm.state is not AlarmState.RETURNED:
        return CommandResult(False, f"{_named(alarm)} is {alarm.state} and not returned.")
    return _acknowledge(command, alarm)


def _shelve(command: Mapping[str, Any], alarm: Alarm, t: int) -> CommandResult:
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        return CommandResult(False, f"{_named(alarm)} is out of service and can't be shelved.")
    for_s = float(command["for_s"])
    alarm.shelve(t + round(for_s * 1000))
    alarm.remark = _remark(command)
    return CommandResult(
        True, f"{_named(alarm)} is shelved for {describe_duration(for_s)}.", [alarm]
    )


def _unshelve(alarm: Alarm) -> CommandResult:
    if alarm.state is not AlarmState.SHELVED:
        return CommandResult(False, f"{_named(alarm)} is not shelved.")
    alarm.unshelve()
    return CommandResult(True, f"{_named(alarm)} is no longer shelved.", [alarm])


def _service(command: Mapping[str, Any], alarms: list[Alarm], t: int) -> CommandResult:
    subject = command.get("subject")
    if not alarms:
        return CommandResult(False, f"There is no subject {subject!r} with alarms.")
    if command["command"] == "service-in":
        for alarm in alarms:
            alarm.put_in()
        return CommandResult(True, f"{alarms[0].called} is back in service.", alarms)
    for_s = command.get("for_s")
    for alarm in alarms:
        alarm.take_out(None if for_s is None else t + round(float(for_s) * 1000))
        alarm.remark = _remark(command)
    span = "" if for_s is None else f" for {describe_duration(float(for_s))}"
    return CommandResult(True, f"{alarms[0].called} is out of service{span}.", alarms)


def _learn(command: Mapping[str, Any], devices: Mapping[str, DeviceView]) -> CommandResult:
    """Begin to learn from now on, or take over what was learnt from an interval of the record."""
    device = devices.get(str(command.get("device")))
    if device is None:
        return CommandResult(False, f"There is no device {command.get('device')!r}.")
    if device.ambient is None:
        return CommandResult(
            False, f"{device.name} has no ambient sensor, so there is no rise to learn."
        )
    observer = command.get("observer")
    if observer is None:
        device.learn_anew()
        days = device.settings.learning_days
        told = (
            f"{device.name} learns its normal rise and response anew, from now on for {days:zg} d."
        )
        return CommandResult(True, told, list(device.step_alarms))
    try:
        device.take_over(observer)
    except (KeyError, TypeError, ValueError):
        return CommandResult(False, f"What was learnt of {device.name} is of another version.")
    return CommandResult(True, _learnt(device), list(device.step_alarms))


def _learnt(device: DeviceView) -> str:
    """Say what is in force after a lesson."""
    normal, status = device.observer.normal, device.observer.learning
    told = f"{device.name} has learnt"
    if normal is not None:
        at = "" if normal.power_w is None else f" at {normal.power_w:z.0f} W"
        told += f" a normal rise of {normal.rise_k:z.1f} K{at}"
    confidence = f" (confidence: {status.confidence})" if status.confidence else ""
    return f"{told}{confidence}; {NOT_VERIFIED}."


def _named(alarm: Alarm) -> str:
    return f"{alarm.condition.name} of {alarm.called}"


def _remark(command: Mapping[str, Any]) -> str:
    """Put claimed name and reason together; both are somebody's words, so they are escaped."""
    parts = []
    if command.get("by"):
        parts.append(f"by {command['by']}")
    if command.get("reason"):
        parts.append(str(command["reason"]))
    return printable(", ".join(parts))


DEEDS = frozenset({"trial-begin", "trial-phase", "trial-end", "note"})
"""The commands that are told here."""

LONGEST_NOTE = 500


def log_action(
    command: Mapping[str, Any],
    book: TrialBook,
    alarms: Iterable[Alarm],
    devices: Mapping[str, DeviceView],
    now: tuple[int, int],
) -> CommandResult:
    """Carry out one command.

    Args:
        command: one of `DEEDS`. What can't be done is answered, never raised.
        book: the trials so far; changed.
        alarms: all of the site.
        devices: all of the site.
        now: watch ms, and what makes UTC of it.
    """
    t, offset_ms = now
    if command.get("command") == "note":
        return _note(command, alarms, devices, t, offset_ms)
    try:
        told = book.take(command, devices, t + offset_ms)
    except ValueError as error:
        return CommandResult(False, f"{error}.")
    every = list(alarms)
    withhold(book, every, devices)
    return CommandResult(True, told, [alarm for alarm in every if alarm.condition.kind == "device"])


def withhold(book: TrialBook, alarms: Iterable[Alarm], devices: Mapping[str, DeviceView]) -> None:
    """Tell each device of its trial, and each alarm whether that suppresses it by design."""
    for device in devices.values():
        trial = book.open_of(device.id)
        device.trial = trial if trial is not None and trial.phase in CHANGED else None
    for alarm in alarms:
        view = devices.get(alarm.subject)
        trial = None if view is None else view.trial
        hidden = trial is not None and alarm.condition.name in WITHHELD
        alarm.withheld_by = trial.name if trial is not None and hidden else ""


def _note(
    command: Mapping[str, Any],
    alarms: Iterable[Alarm],
    devices: Mapping[str, DeviceView],
    t: int,
    offset_ms: int,
) -> CommandResult:
    """Take a note: the trend of the device, or of all, starts anew from it."""
    name, at = command.get("device"), command.get("at")
    if name is not None and name not in devices:
        return CommandResult(False, f"There is no device {name!r}.")
    try:
        since_t = t if at is None else from_rfc3339(str(at)) - offset_ms
    except ValueError as error:
        return CommandResult(False, f"{error}.")
    if since_t > t:
        return CommandResult(False, f"{at} is still to come; a note tells what was done.")
    concerned = [device for device in devices.values() if name in {None, device.id}]
    for device in concerned:
        device.watch_drift_from(since_t)
    names = {device.id for device in concerned}
    text = printable(str(command.get("text", "")))[:LONGEST_NOTE]
    whose = "the cabinet" if name is None else str(name)
    return CommandResult(
        True,
        f"Noted of {whose}: {text}. Its drift is watched anew from there.",
        [alarm for alarm in alarms if alarm.subject in names and alarm.condition.name == "drift"],
    )
