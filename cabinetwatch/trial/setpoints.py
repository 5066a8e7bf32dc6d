"""The settings for the watch that follow from a trial, as a piece of configuration."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from cabinetwatch.text import rounded
from cabinetwatch.trial.estimate import Estimate

ROOM_PART, ROOM_K = 0.25, 3.0
"""What `max_rise_k` leaves above the settled rise: a quarter of it, at least 3 K; our choice."""


@dataclass(frozen=True)
class Setpoints:
    """Keys of the table of one device and their values; empty when nothing follows."""

    device: str
    values: Mapping[str, float]

    def as_toml(self) -> str:
        """Write the stanza; empty text when there are no values."""
        if not self.values:
            return ""
        lines = [f"{key} = {value}" for key, value in self.values.items()]
        return "\n".join([f"[devices.{self.device}]", *lines]) + "\n"


def make_setpoints(
    device: str,
    rise: Estimate,
    power_w: float | None,
    *,
    time_constant_s: float | None,
    most_rise_k: float | None,
) -> Setpoints:
    """Derive the settings from an after phase.

    `most_rise_k` is the rise that leaves no margin on the hottest day, None where it isn't known:
    `max_rise_k` never lies above it. A rise or a limit at 0 or below gives none.
    """
    if rise.value <= 0:
        return Setpoints(device, {})
    values = {"normal_rise_k": _tenth(rise.value)}
    if power_w is not None and power_w > 0:
        values["normal_power_w"] = _tenth(power_w)
    if time_constant_s is not None:
        values["time_constant_s"] = float(round(time_constant_s))
    highest_k = rise.high + max(ROOM_K, ROOM_PART * rise.value)
    if most_rise_k is not None:
        highest_k = min(highest_k, most_rise_k)
    if highest_k > rise.value:
        values["max_rise_k"] = math.floor(highest_k * 10) / 10
    return Setpoints(device, {key: value for key, value in values.items() if value > 0})


def _tenth(value: float) -> float:
    return rounded(value, 1)
