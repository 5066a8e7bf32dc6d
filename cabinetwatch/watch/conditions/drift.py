"""`drift`: cooling fades over weeks: dust."""

from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.text import counted, rounded
from cabinetwatch.thermal.drift import DriftFinding
from cabinetwatch.watch.conditions.base import HeadingCondition
from cabinetwatch.watch.wording import kelvin, percent

_STANDS_UNTIL = 1.5
"""A standing drift returns only when the margin lasts so many horizons: loads move it from day to
day."""


class DriftSettings(AlarmSettings):
    """Keys of `[alarms.drift]`; the test over weeks is its delay."""

    priority: str | None = "low"
    drift_horizon_days: float = Field(
        60.0, gt=0, description="how many days ahead the hot-day margin must last, above 0"
    )


class Drift(HeadingCondition):
    """Raised when a significant climb would use up the hot-day margin within the horizon.

    What climbs is rise over normal rise at the load, so that neither load nor season counts.
    """

    name = "drift"
    Settings = DriftSettings
    settings: DriftSettings
    likely = "Dust on filters, fins and vents, or a fan that wears out."
    response = (
        "Clean filters and vents from outside, with the device off; look at its fans. If something"
        " was changed on purpose, learn it again: cabinetwatch learn."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._judged_at = 0
        self._judgement: bool | None = None

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a derating curve and an ambient reference."""
        return [
            name
            for name, device in config.devices.items()
            if device.derating and device.ambient is not None
        ]

    def judge(self, t: int, active: bool) -> bool | None:
        """Assess the days on record, once for each."""
        del t
        if self.device.days_on_record != self._judged_at:
            self._judged_at = self.device.days_on_record
            self._judgement = self._assess(active)
        return self._judgement

    def _assess(self, active: bool) -> bool | None:
        if self.device.drift.too_few:
            # Nothing can be claimed of it, so nothing stands: it was begun anew.
            return False
        finding = self.device.drift_finding
        if finding is None or finding.significant is None:
            return None
        if not finding.significant:
            return False
        if finding.exhausted_in_days is None:
            return None
        horizon_days = self.settings.drift_horizon_days
        return finding.within(_STANDS_UNTIL * horizon_days if active else horizon_days)

    def save(self) -> dict[str, Any]:
        """The last judgement, and after how many days it was made."""
        return {"judged_at": self._judged_at, "judgement": self._judgement}

    def load(self, state: dict[str, Any]) -> None:
        """Go on from it."""
        self._judged_at, self._judgement = state["judged_at"], state["judgement"]

    def began(self, pending_t: int) -> int:
        """The first of the days that show the climb."""
        finding = self.device.drift_finding
        if finding is None or finding.since_ms is None:
            return pending_t
        return min(pending_t, finding.since_ms)

    def seen(self) -> str:
        """Say how fast, against what margin, and until when that lasts."""
        finding, margin_k = self.device.drift_finding, self.device.tight_margin_k
        if not _told(finding) or margin_k is None:
            return f"{self.device.name} was last seen slowly losing its cooling."
        assert finding is not None and finding.climb_per_week is not None  # noqa: S101, PT018
        days = finding.exhausted_in_days or 0.0
        lasts = "is used up already"
        if days >= 1.0:
            lasts = f"is used up in about {counted(round(days), 'day')}"
        return (
            f"{self.device.name} runs {_per_week(finding.climb_per_week)} warmer each week at equal"
            f" load and ambient; at this pace its hot-day margin of {kelvin(margin_k)}"
            f" {lasts}."
        )

    def gone(self) -> str:
        """Say that it no longer climbs so fast."""
        if self.device.drift.too_few:
            return f"{self.device.name}: what climbs from week to week is watched anew."
        margin_k = self.device.tight_margin_k
        margin = "" if margin_k is None else f" and has {kelvin(margin_k)} of hot-day margin"
        return f"{self.device.name} no longer gets warmer from week to week{margin}."

    def values(self) -> dict[str, Any]:
        """The device's figures and the trend."""
        finding = self.device.drift_finding
        if finding is None:
            return super().values()
        return super().values() | {
            "hot_day_margin_k": _rounded(self.device.tight_margin_k, 3),
            "climb_per_week": _rounded(finding.climb_per_week, 5),
            "p": _rounded(finding.p, 6),
            "margin_used_up_days": _rounded(finding.exhausted_in_days, 1),
        }


def _told(finding: DriftFinding | None) -> bool:
    return finding is not None and finding.climb_per_week is not None


def _per_week(climb: float) -> str:
    return percent(climb) if climb >= 0.1 else f"{100 * climb:z.1f} %"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else rounded(value, digits)
