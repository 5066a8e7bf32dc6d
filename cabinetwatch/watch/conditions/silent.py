"""`silent`: a sensor has not been heard for several of its intervals."""

import math
from typing import Any, NamedTuple

from cabinetwatch.text import counted
from cabinetwatch.watch.conditions.faulty import BlindSensorCondition, BlindSettings
from cabinetwatch.watch.wording import quantity


class SilentSettings(BlindSettings):
    """Keys of `[alarms.silent]`; without a priority: high for a device's temperature."""


class _Clue(NamedTuple):
    """What the engine has seen that explains a silence: for the sentence, and what it likely is."""

    seen: str
    likely: str


class Silent(BlindSensorCondition):
    """Raised when no live reading came for `silent_after` intervals while the broker was there."""

    name = "silent"
    Settings = SilentSettings
    tells_silence = True
    likely = (
        "The node has lost power or radio, its battery is flat, or the probe has come off; the"
        " clock of a node that dates its readings itself may be wrong."
    )
    response = (
        "See that the sensor node has power and reaches the network; look at what it publishes with"
        " cabinetwatch listen."
    )

    @property
    def cause(self) -> str:
        """Sensors of one topic sit on one node: its silence is one notice."""
        return f"node/{self.house.config.sensors[self.subject].topic}"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the silence that the sensor's deadlines find."""
        del t, active
        return self.sensor.silent

    def began(self, pending_t: int) -> int:
        """It began with the last reading."""
        return pending_t if self.sensor.last_live_t is None else self.sensor.last_live_t

    def seen(self) -> str:
        """Say what is missing and what that blinds."""
        clue = self._clue()
        why = "" if clue is None else f"; {clue.seen}"
        if self.sensor.last_live_t is None:
            since = "has not been heard from since the watch came online"
            return f"{self.called} {since}{self.so()}{why}."
        last = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} has fallen silent{self.so()}; its last reading was {last}{why}."

    @property
    def suspicion(self) -> str:
        """What explains it, where something was seen that does."""
        clue = self._clue()
        return self.likely if clue is None else clue.likely

    def _clue(self) -> _Clue | None:
        sensor, unheard = self.sensor, self.sensor.unheard
        if unheard.unread_t is not None and self._after_last(unheard.unread_t):
            messages = counted(unheard.unreadable, "message")
            problem = unheard.problem.removeprefix(f"{self.subject}: ").removesuffix(".")
            return _Clue(
                f"{messages} came that could not be read: {problem}",
                "Its node runs, but what it sends does not fit pointer, senml_name or unit in the"
                " sensor's table, or its probe has failed.",
            )
        if unheard.late_t is not None and self._after_last(unheard.late_t):
            readings = counted(unheard.late, "reading")
            return _Clue(
                f"its clock is up to {unheard.late_ms / 1000:z.0f} s behind, so {readings} came too"
                " late to be judged; see lateness_s",
                "The clock of its node is behind, or it sends its readings late.",
            )
        every_ms = sensor.spoken_every_ms
        interval_s = self.house.config.sensors[self.subject].interval_s
        if every_ms is not None and interval_s is not None:
            every_s = math.ceil(every_ms / 1000)
            return _Clue(
                f"lately it speaks up to every {every_s} s, not every {interval_s:zg} s; set its"
                f" interval_s to {every_s} if that is its way",
                "It speaks less often than its interval_s says, its radio loses messages, or its"
                " battery is nearly flat.",
            )
        return None

    def _after_last(self, t: int) -> bool:
        """Whether something came after the last reading that could be judged."""
        return self.sensor.heard_t is None or t > self.sensor.heard_t

    def gone(self) -> str:
        """Say that it is back."""
        if not self.sensor.known:
            return f"{self.called} is heard again."
        value = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} is heard again and reads {value}."

    def values(self) -> dict[str, Any]:
        """The last value, and after how long it counts as silent."""
        silence_ms = self.sensor.silence_ms
        return super().values() | {"silence_s": None if silence_ms is None else silence_ms / 1000}
