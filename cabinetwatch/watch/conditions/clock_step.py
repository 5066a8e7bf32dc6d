"""`clock-step`: the wall clock moved against the monotonic one."""

from collections.abc import Mapping
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.times import describe_duration
from cabinetwatch.watch.conditions.base import SiteCondition
from cabinetwatch.watch.entry import Entry, EntryKind


class ClockStepSettings(AlarmSettings):
    """Keys of `[alarms.clock-step]`."""

    priority: str | None = "low"
    larger_than_s: float = Field(
        60.0, gt=0, description="the step in seconds, above 0, that is worth telling"
    )


class ClockStep(SiteCondition):
    """Raised by a step of the wall clock; returns at once and needs no acknowledgement."""

    name = "clock-step"
    Settings = ClockStepSettings
    settings: ClockStepSettings
    momentary = True
    likely = "The machine has no battery clock and has just got the time, or somebody set it."
    response = "Nothing, if the machine has just started; else see that its time service works."

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._step_ms = 0
        self._stepped = False

    def hear(self, entry: Entry, offset_ms: int) -> None:
        """Take a journal entry before it takes effect; `offset_ms` is the offset until now."""
        if entry.kind is EntryKind.OFFSET:
            self._step_ms = int(entry.data["offset_ms"]) - offset_ms
            self._stepped = abs(self._step_ms) > self.settings.larger_than_s * 1000

    def judge(self, t: int, active: bool) -> bool | None:
        """True once for each step."""
        del t, active
        stepped, self._stepped = self._stepped, False
        return stepped

    def seen(self) -> str:
        """Say how far and which way."""
        way = "forward" if self._step_ms > 0 else "back"
        return (
            f"The wall clock was put {way} by {describe_duration(abs(self._step_ms) / 1000)};"
            " the watch goes on undisturbed."
        )

    def gone(self) -> str:
        """It is over as soon as it is told."""
        return "The watch has taken over the new time."

    def values(self) -> dict[str, Any]:
        """The step."""
        return {"step_s": self._step_ms / 1000}

    def save(self) -> dict[str, Any]:
        """The last step."""
        return {"step_ms": self._step_ms}

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from it."""
        self._step_ms = state["step_ms"]
