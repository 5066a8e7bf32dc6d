"""One cause, one notice: which alarm, while it stands, hides which others by design."""

from collections.abc import Iterator, Mapping

from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.house import House

SAME_DEVICE: Mapping[str, frozenset[str]] = {
    "fan-slow": frozenset({"over-rise", "hot-day", "drift", "cooling-loss"}),
    "cooling-loss": frozenset({"over-rise", "hot-day", "drift"}),
    "over-derating": frozenset({"derating-forecast"}),
    "ambient-lost": frozenset({"over-rise", "hot-day", "drift", "cooling-loss", "rise-missing"}),
}
"""Condition of a device -> conditions of the same device that it explains."""

AMBIENT_SENSOR = frozenset({"silent", "stuck", "implausible"})
"""What `ambient-lost` of a device tells in place of its ambient sensor."""

WITHOUT_BROKER = frozenset({"silent", "stuck", "ambient-lost"})
"""What nobody can know while `broker-lost` stands."""


def link(alarms: Mapping[str, Alarm], house: House) -> None:
    """Tell each alarm which others it hides and which hide it."""
    for hiding, hidden in _pairs(alarms, house):
        hiding.hides.append(hidden)
        hidden.hidden_by.append(hiding)


def _pairs(alarms: Mapping[str, Alarm], house: House) -> Iterator[tuple[Alarm, Alarm]]:
    for alarm in alarms.values():
        name = alarm.condition.name
        for other in sorted(SAME_DEVICE.get(name, ())):
            yield from _pair(alarm, alarms.get(f"{alarm.subject}/{other}"))
        if name == "ambient-lost":
            ambient = house.devices[alarm.subject].ambient
            for other in sorted(AMBIENT_SENSOR) if ambient is not None else ():
                yield from _pair(alarm, alarms.get(f"{ambient.id}/{other}"))  # type: ignore[union-attr]
        if name == "session-taken":
            yield from _pair(alarm, alarms.get("site/broker-lost"))
        if name == "broker-lost":
            for other_alarm in alarms.values():
                if other_alarm.condition.name in WITHOUT_BROKER:
                    yield alarm, other_alarm


def _pair(hiding: Alarm, hidden: Alarm | None) -> Iterator[tuple[Alarm, Alarm]]:
    if hidden is not None:
        yield hiding, hidden
