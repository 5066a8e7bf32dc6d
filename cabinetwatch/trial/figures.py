"""The outcome of a trial, and how it is written as JSON."""

from dataclasses import dataclass, field
from typing import Any, Literal

from cabinetwatch.text import rounded
from cabinetwatch.trial.estimate import Estimate
from cabinetwatch.trial.setpoints import Setpoints

Verdict = Literal["accept", "watch", "reject", "undecided"]


@dataclass(frozen=True)
class PhaseFigures:
    """One phase as it is reported; `rise` with its whole uncertainty. What is unknown is None."""

    rise: Estimate | None = None
    settled: bool = False
    time_constant_s: float | None = None
    ambient_c: float | None = None
    samples: int = 0
    sound_dba: float | None = None
    power_w: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Give JSON-able values; `sound_dba` only where it was measured."""
        rise = self.rise
        figures: dict[str, Any] = {
            "rise_k": _rounded(rise.value if rise else None),
            "rise_ci95_k": _interval(rise),
            "settled": self.settled,
            "time_constant_s": _rounded(self.time_constant_s, 1),
            "ambient_c": _rounded(self.ambient_c),
            "samples": self.samples,
        }
        if self.sound_dba is not None:
            figures["sound_dba"] = _rounded(self.sound_dba, 1)
        return figures


@dataclass(frozen=True)
class TrialFigures:
    """Everything that a trial found. Every change is after minus before."""

    device: str
    before: PhaseFigures
    after: PhaseFigures
    verdict: Verdict
    reasons: tuple[str, ...]
    change: Estimate | None = None
    hot_day_temperature_c: float | None = None
    hot_day_margin: Estimate | None = None
    threshold_c: float | None = None
    life_factor: float | None = None
    life_factor_capacitor: float | None = None
    sound_change_db: float | None = None
    setpoints: Setpoints = field(default_factory=lambda: Setpoints("", {}))

    def as_json(self) -> dict[str, Any]:
        """Give the JSON-able report."""
        margin = self.hot_day_margin
        return {
            "device": self.device,
            "before": self.before.as_json(),
            "after": self.after.as_json(),
            "time_constant_s": _rounded(self.after.time_constant_s, 1),
            "change_k": _rounded(self.change.value if self.change else None),
            "change_ci95_k": _interval(self.change),
            "hot_day_temperature_c": _rounded(self.hot_day_temperature_c),
            "hot_day_margin_k": _rounded(margin.value if margin else None),
            "life_factor": _rounded(self.life_factor, 4),
            "life_factor_capacitor": _rounded(self.life_factor_capacitor, 4),
            "sound_change_db": _rounded(self.sound_change_db, 2),
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "setpoints": self.setpoints.as_toml() or None,
        }


def _rounded(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else rounded(value, digits)


def _interval(estimate: Estimate | None) -> list[float] | None:
    return None if estimate is None else [rounded(estimate.low, 3), rounded(estimate.high, 3)]
