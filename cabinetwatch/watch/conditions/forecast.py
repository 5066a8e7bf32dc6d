"""Conditions on what is to come: the time left, the hottest day, dust.

What each method is for stands with `Condition`.
"""

# ruff: noqa: D102

import math
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import Field

from cabinetwatch.config.model import AlarmSettings, Config
from cabinetwatch.text import NBSP, counted, measure, rounded
from cabinetwatch.thermal.forecast import Forecast, ForecastWatch
from cabinetwatch.thermal.windows import Figures
from cabinetwatch.watch.conditions.base import (
    NOT_YET_BACK,
    SHUT_DOWN,
    HeadingCondition,
    SetpointSettings,
    TimeToRespond,
    beyond,
    with_defaults,
)
from cabinetwatch.watch.devices import when

_NOTHING_AHEAD = Forecast(0.0, None, None, None)
_WORTH_SOLVING_SIGMAS = 3.0
_SURELY_COOLS_SIGMAS = 1.65
"""19 in 20: the settled rise lies below the present one."""
_REACHED_S = 1.0
_TOO_LATE = (
    f"{SHUT_DOWN} Then open the cabinet and check that every fan is turning. Undo the last change"
    " of cooling."
)
_AMBIENT_MAY_CLIMB_K = 5.0
"""Our choice: the trend of the ambient carries it no further within a forecast."""


class DeratingForecastSettings(AlarmSettings):
    """Keys of `[alarms.derating-forecast]`; the certainty asked for is its delay."""

    priority: str | None = "high"
    off_delay_s: float = 60.0
    horizon_s: float = Field(3600.0, gt=0, description="how many seconds ahead it looks, above 0")


class DeratingForecast(HeadingCondition):
    """Raised when it is nearly certain that the threshold will be crossed within the horizon."""

    name = "derating-forecast"
    predicate = "heading for its derating threshold"
    over = "no longer heading for its derating threshold"
    is_heat = True
    Settings = DeratingForecastSettings
    settings: DeratingForecastSettings
    needs = ("derating", "ambient")
    ends_a_trial = True
    consequence = "it is above its derating threshold within the hour"
    time_to_respond = TimeToRespond.HOUR
    likely = (
        "Lost cooling, more load, or hotter air around it: its temperature has not settled yet."
    )
    response = (
        "There is still time: reduce its load, open the cabinet, check that every fan is turning."
        " Undo the last change of cooling. Shut it down properly before it crosses the threshold."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._told: Forecast | None = _NOTHING_AHEAD
        self._judged = (0.0, False)
        self._forecast_t = 0
        self._watch = ForecastWatch()
        self._comes_down = False

    @property
    def _forecast(self) -> Forecast:
        """The forecast of the last step, solved when it is told: most steps ask only how likely."""
        if self._told is None:
            horizon_s, (threshold_c, fan_lost) = self.settings.horizon_s, self._judged
            observer = self.device.observer
            self._told = observer.forecast(threshold_c, horizon_s, fan_lost=fan_lost)
        return self._told

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Those whose curve is of their own air: nobody can tell where that around them heads."""
        names = super().subjects(config)
        return [name for name in names if config.devices[name].derating_air == "device"]

    def judge(self, t: int, active: bool) -> bool | None:
        """Solve for the threshold at each step of the observer, where it is not far off."""
        figures, threshold_c = self.device.heading, self.device.threshold_c
        if figures is None or threshold_c is None:
            return None
        if math.isinf(threshold_c) or self._surely_cools(figures, threshold_c):
            # A load that is too much at any temperature is told by over-derating; and where
            # cooling is back, what the course so far led to no longer counts.
            self._told = _NOTHING_AHEAD
            self._watch = ForecastWatch()
            return False
        if figures.t_ms != self._forecast_t:
            self._forecast_t = figures.t_ms
            self._watch.observe(figures.t_ms, self._probability(figures, threshold_c))
        return self._watch.standing

    def began(self, pending_t: int) -> int:
        """The first of the steps that were sure of it."""
        return min(pending_t, self._watch.since_ms) if self._watch.standing else pending_t

    def _surely_cools(self, figures: Figures, threshold_c: float) -> bool:
        """Whether it is below the threshold and its rise beyond doubt above the settled one."""
        if figures.temperature_c >= threshold_c:
            self._comes_down = True
            return False
        # One that comes down from above the threshold need not be so sure of it.
        sigmas = 0.0 if self._comes_down else _SURELY_COOLS_SIGMAS
        self._comes_down = self._comes_down and figures.settled_rise_k < figures.rise_k
        return figures.settled_rise_k + sigmas * figures.settled_rise_sd_k < figures.rise_k

    def _probability(self, figures: Figures, threshold_c: float) -> float:
        heading_k = max(figures.settled_rise_k, figures.rise_k)
        reach_c = max(figures.ambient_c, figures.felt_ambient_c) + heading_k
        doubt_k = _WORTH_SOLVING_SIGMAS * figures.settled_rise_sd_k
        if reach_c + doubt_k + _AMBIENT_MAY_CLIMB_K < threshold_c:
            self._told = _NOTHING_AHEAD
            return 0.0
        device, horizon_s = self.device, self.settings.horizon_s
        self._told, self._judged = None, (threshold_c, device.fan_is_slow)
        return device.observer.probability(threshold_c, horizon_s, fan_lost=device.fan_is_slow)

    def seen(self) -> str:
        device, forecast = self.device, self._forecast
        figures, threshold_c = device.observer.figures, device.threshold_c
        if figures is None or threshold_c is None or forecast.soonest_s is None:
            return f"{device.name} was last seen heading for its derating threshold."
        settling = (
            f"{device.name} is at {self._c(self._present_c(figures))},"
            f" {self._settling(figures)}, and"
        )
        if self._present_c(figures) >= threshold_c:
            return f"{settling} has reached its derating threshold of {self._c(threshold_c)}."
        verb = "may" if forecast.time_left_s is None else "will"
        return (
            f"{settling} at this rate {verb} cross its derating threshold of {self._c(threshold_c)}"
            f" {when(forecast)}."
        )

    def gone(self) -> str:
        device, figures = self.device, self.device.observer.figures
        threshold_c = device.threshold_c
        if figures is None or threshold_c is None:
            return f"{device.name} is no longer heading for its derating threshold."
        return (
            f"{device.name} is at {self._c(self._present_c(figures))} and no"
            f" longer heading for its derating threshold of {self._c(threshold_c)}."
        )

    def values(self) -> dict[str, Any]:
        forecast = self._forecast
        return super().values() | {
            "time_left_s": rounded(forecast.time_left_s, 1),
            "soonest_s": rounded(forecast.soonest_s, 1),
            "latest_s": rounded(forecast.latest_s, 1),
            "probability": rounded(forecast.probability, 3),
        }

    @property
    def remedy(self) -> str:
        """There is still time, unless there is none."""
        return _TOO_LATE if self._is_reached else self.response

    @property
    def _is_reached(self) -> bool:
        """Whether no time is left, or the last reading is ahead of what the filters believe."""
        figures, threshold_c = self.device.observer.figures, self.device.threshold_c
        left_s = self._forecast.time_left_s
        if left_s is not None and left_s < _REACHED_S:
            return True
        if figures is None or threshold_c is None:
            return False
        return self._present_c(figures) >= threshold_c

    def save(self) -> dict[str, Any]:
        return {
            "t": self._forecast_t,
            "watch": self._watch.save(),
            "comes_down": self._comes_down,
            "forecast": list(self._forecast),
        }

    def load(self, state: Mapping[str, Any]) -> None:
        self._forecast_t = state["t"]
        self._told = Forecast(*state["forecast"])
        self._watch = ForecastWatch.load(state["watch"])
        self._comes_down = state["comes_down"]


class HotDay(HeadingCondition):
    """Raised when the hot-day margin is below zero, or the design ambient has been passed.

    Slow on purpose: it warns of a day to come, and load that comes and goes must not make it
    chatter.
    """

    name = "hot-day"
    predicate = "too warm for the hottest day"
    over = "cool enough for the hottest day again"
    Settings = with_defaults(
        SetpointSettings, priority="low", on_delay_s=1800.0, off_delay_s=3600.0
    )
    settings: SetpointSettings
    needs = ("derating", "ambient")
    weekly_figure = "hot_day_margin_k"
    consequence = "on the hottest day it is above its derating threshold"
    time_to_respond = TimeToRespond.WEEKS
    likely = "Cooling that is enough for today's air leaves no margin for the hottest day."
    response = (
        "Before the hot season: give the device more air, less load or more space, or a cooler"
        " place. If the design ambient has been passed, set design_ambient_c to what really occurs."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare margin with zero, and the outer air with the design ambient."""
        deadband_k, device = self.settings.deadband_k, self.device
        excess_k = self._ambient_excess_k()
        if excess_k is not None and beyond(excess_k, 0.0, deadband_k, active=active):
            return True
        margin_k = device.hot_day_margin_k
        if margin_k is None:
            return None
        return beyond(-margin_k, 0.0, deadband_k, active=active)

    def _ambient_excess_k(self) -> float | None:
        """By how much the air outside the cabinet is above the design ambient.

        Judged for the outermost device only: it is one fact, whatever stands within.
        """
        device = self.device
        if device.enclosing or device.ambient_c is None:
            return None
        return device.ambient_c - device.design_ambient_c

    def seen(self) -> str:
        device = self.device
        excess_k = self._ambient_excess_k()
        if excess_k is not None and excess_k > 0.0:
            return (
                f"The surrounding air of {device.name} is at {self._c(device.ambient_c or 0.0)},"
                f" {self._k(excess_k)} above the design ambient of"
                f" {self._c(device.design_ambient_c)}, so every hot-day margin is less than shown."
            )
        hot_c, threshold_c = device.hot_day_temperature_c, device.threshold_c
        if hot_c is None or threshold_c is None:
            return f"{device.name} was last seen without margin for the hottest day."
        over_k = hot_c - threshold_c
        where = f"{self._k(over_k)} above" if over_k > 0.0 else NOT_YET_BACK
        return (
            f"{device.name} would reach {self._c(hot_c)} with room air at"
            f" {self._c(device.design_ambient_c)}, {where} its derating threshold of"
            f" {self._c(threshold_c)}."
        )

    def gone(self) -> str:
        margin_k = self.device.hot_day_margin_k
        if margin_k is None:
            return f"{self.device.name}: its hot-day margin is not known now."
        return f"{self.device.name} has a hot-day margin of {self._k(margin_k)} again."

    def values(self) -> dict[str, Any]:
        return super().values() | {"design_ambient_c": self.device.design_ambient_c}


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
    predicate = "slowly losing its cooling"
    over = "no longer getting warmer from week to week"
    Settings = DriftSettings
    settings: DriftSettings
    needs = ("derating", "ambient")
    withheld_in_trial = True
    rests_on_trend = True
    weekly_figure = "climb_per_week"
    consequence = "within weeks it has no hot-day margin left"
    time_to_respond = TimeToRespond.WEEKS
    likely = "Dust on filters, fins and vents, or a fan that wears out."
    response = (
        "Shut the device down, then clean filters and vents from outside; check its fans. If"
        " something was changed on purpose, learn it again: cabinetwatch learn."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._judged_at = 0
        self._judgement: bool | None = None

    def judge(self, t: int, active: bool) -> bool | None:
        """Assess the days on record, once for each."""
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
        return {"judged_at": self._judged_at, "judgement": self._judgement}

    def load(self, state: Mapping[str, Any]) -> None:
        self._judged_at, self._judgement = state["judged_at"], state["judgement"]

    def began(self, pending_t: int) -> int:
        """The first of the days that show the climb."""
        finding = self.device.drift_finding
        if finding is None or finding.since_ms is None:
            return pending_t
        return min(pending_t, finding.since_ms)

    def seen(self) -> str:
        finding, margin_k = self.device.drift_finding, self.device.tight_margin_k
        climb = None if finding is None else finding.climb_per_week
        if finding is None or climb is None or margin_k is None:
            return f"{self.device.name} was last seen slowly losing its cooling."
        days = finding.exhausted_in_days or 0.0
        margin = "its hot-day margin is used up already"
        if days >= 1.0 and margin_k > 0.0:
            lasts = counted(round(days), "day").replace(" ", NBSP)
            margin = f"its hot-day margin of {self._k(margin_k)} is used up in about {lasts}"
        per_week = measure(100 * climb, 0 if climb >= 0.1 else 1, "%")
        return (
            f"{self.device.name} gets {per_week} warmer each week at equal load and surrounding"
            f" air; at this rate {margin}."
        )

    def gone(self) -> str:
        if self.device.drift.too_few:
            return f"{self.device.name}: its trend from week to week is watched anew."
        margin_k = self.device.tight_margin_k
        margin = "" if margin_k is None else f" and has a hot-day margin of {self._k(margin_k)}"
        return f"{self.device.name} no longer gets warmer from week to week{margin}."

    def values(self) -> dict[str, Any]:
        finding = self.device.drift_finding
        if finding is None:
            return super().values()
        return super().values() | {
            "hot_day_margin_k": rounded(self.device.tight_margin_k, 3),
            "climb_per_week": rounded(finding.climb_per_week, 5),
            "p": rounded(finding.p, 6),
            "margin_used_up_days": rounded(finding.exhausted_in_days, 1),
        }
