"""`input-refused`: something the watch was told could not be judged, and was set aside."""

from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.text import counted, printable
from cabinetwatch.times import describe_duration
from cabinetwatch.watch.conditions.base import SiteCondition
from cabinetwatch.watch.refusals import DEADLINE, Refusal


class InputRefusedSettings(AlarmSettings):
    """Keys of `[alarms.input-refused]`."""

    priority: str | None = "medium"
    on_delay_s: float = 10.0
    quiet_for_s: float = Field(
        3600.0, gt=0, description="the seconds, above 0, without any after which it returns"
    )


class InputRefused(SiteCondition):
    """Raised some seconds after the first, so that a burst is told with its number.

    It returns once there has been none for long.
    """

    name = "input-refused"
    Settings = InputRefusedSettings
    settings: InputRefusedSettings
    likely = (
        "A node sends what nobody thought of, and this version of the watch stumbles over it: the"
        " fault is ours."
    )
    response = (
        "See what the sensor sends, and send us the line of the system log. Nothing else is held up"
        " by it; a sensor of which nothing else comes is told as silent."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """True until there has been none for so long."""
        del active
        refusals = self.house.site.refusals
        last = refusals.last
        if last is None:
            return False
        until_t = last.t + round(self.settings.quiet_for_s * 1000)
        if t >= until_t:
            refusals.forget()
            return False
        self.due = until_t
        return True

    def seen(self) -> str:
        """Name the newest, with its value, and how many there were of it and of others."""
        refused = self.house.site.refusals.all
        if not refused:
            return "Something could not be judged and was set aside; the watch goes on."
        last = refused[-1]
        others = sum(each.messages for each in refused[:-1])
        more = f", {others} of others" if others else ""
        if last.what == DEADLINE:
            return (
                f"{counted(last.messages, last.what)} of {self._named(last)} could not be judged"
                f" and {'was' if last.messages == 1 else 'were'} passed over{more}: what it would"
                " have raised or ended keeps its state. The watch goes on."
            )
        return (
            f"{counted(last.messages, last.what)} of {self._named(last)} could not be judged and"
            f" {'was' if last.messages == 1 else 'were'} set aside{more}; the last said"
            f" {printable(last.excerpt)}. The watch goes on without."
        )

    def _named(self, refusal: Refusal) -> str:
        sensor = self.house.config.sensors.get(refusal.subject) if refusal.sensor else None
        name = self._called(refusal)
        return name if sensor is None else f"{name} (topic {printable(sensor.topic)})"

    def _called(self, refusal: Refusal) -> str:
        name = self.house.config.name_of(refusal.subject) if refusal.sensor else refusal.subject
        return printable(name)

    def gone(self) -> str:
        """Say for how long there has been none."""
        span = describe_duration(self.settings.quiet_for_s)
        return f"Nothing has had to be set aside for {span}."

    def values(self) -> dict[str, Any]:
        """Each subject with its newest refusal, in words: a mail shows it as it is."""
        return {
            "refused": "; ".join(
                f"{self._called(each)}: {counted(each.messages, each.what)}, the last"
                f" {printable(each.excerpt)} ({printable(each.error)})"
                for each in self.house.site.refusals.all
            )
        }
