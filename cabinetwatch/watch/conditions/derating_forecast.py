"""`derating-forecast`: on its present heading the device will cross its derating threshold soon."""

import math
from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.text import rounded
from cabinetwatch.thermal.forecast import Forecast, ForecastWatch
from cabinetwatch.times import describe_duration
from cabinetwatch.watch.conditions.base import HeadingCondition
from cabinetwatch.watch.wording import celsius, kelvin

_WORTH_SOLVING_SIGMAS = 3.0
_SURELY_COOLS_SIGMAS = 1.65
"""19 in 20: the settled rise lies below the present one."""
_REACHED_S = 1.0
_TOO_LATE = (
    "Take load off or switch the device off now. Then open the cabinet and see that every fan"
    " turns. Undo the last change of cooling."
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
    Settings = DeratingForecastSettings
    settings: DeratingForecastSettings
    ends_a_trial = True
    likely = (
        "Lost cooling, more load, or hotter air around it: its temperature has not settled yet."
    )
    response = (
        "There is still time: take load off, open the cabinet, see that every fan turns. Undo the"
        " last change of cooling. Switch the device off before it crosses the threshold."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._forecast = Forecast(0.0, None, None, None)
        self._forecast_t = 0
        self._watch = ForecastWatch()
        self._comes_down = False

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a curve of their own air and an ambient reference."""
        return [
            name
            for name, device in config.devices.items()
            if device.derating and device.derating_air == "device" and device.ambient is not None
        ]

    def judge(self, t: int, active: bool) -> bool | None:
        """Solve for the threshold at each step of the observer, where it is not far off."""
        del t, active
        figures, threshold_c = self.device.heading, self.device.threshold_c
        if figures is None or threshold_c is None:
            return None
        if math.isinf(threshold_c) or self._surely_cools(threshold_c):
            # A load that is too much at any temperature is told by over-derating; and where
            # cooling is back, what the course so far led to no longer counts.
            self._forecast = Forecast(0.0, None, None, None)
            self._watch = ForecastWatch()
            return False
        if figures.t_ms != self._forecast_t:
            self._forecast_t = figures.t_ms
            self._forecast = self._solve(threshold_c)
            self._watch.observe(figures.t_ms, self._forecast.probability)
        return self._watch.standing

    def began(self, pending_t: int) -> int:
        """The first of the steps that were sure of it."""
        return min(pending_t, self._watch.since_ms) if self._watch.standing else pending_t

    def _surely_cools(self, threshold_c: float) -> bool:
        """Whether it is below the threshold and its rise beyond doubt above the settled one."""
        figures = self.device.observer.figures
        if figures is None:
            return False
        if figures.temperature_c >= threshold_c:
            self._comes_down = True
            return False
        # One that comes down from above the threshold need not be so sure of it.
        sigmas = 0.0 if self._comes_down else _SURELY_COOLS_SIGMAS
        self._comes_down = self._comes_down and figures.settled_rise_k < figures.rise_k
        return figures.settled_rise_k + sigmas * figures.settled_rise_sd_k < figures.rise_k

    def _solve(self, threshold_c: float) -> Forecast:
        figures = self.device.observer.figures
        if figures is None:
            return Forecast(0.0, None, None, None)
        heading_k = max(figures.settled_rise_k, figures.rise_k)
        reach_c = max(figures.ambient_c, figures.felt_ambient_c) + heading_k
        doubt_k = _WORTH_SOLVING_SIGMAS * figures.settled_rise_sd_k
        if reach_c + doubt_k + _AMBIENT_MAY_CLIMB_K < threshold_c:
            return Forecast(0.0, None, None, None)
        return self.device.observer.forecast(threshold_c, self.settings.horizon_s)

    def seen(self) -> str:
        """Say when, how sure, and against which threshold."""
        device, forecast = self.device, self._forecast
        figures, threshold_c = device.observer.figures, device.threshold_c
        if figures is None or threshold_c is None or forecast.time_left_s is None:
            return f"{device.name} was last seen heading across its derating threshold."
        heading = (
            f"{device.name} is at {celsius(figures.temperature_c)}, heading for"
            f" {kelvin(figures.settled_rise_k)} above ambient, and"
        )
        if self._is_reached:
            return f"{heading} has reached its derating threshold of {celsius(threshold_c)}."
        when = f"in about {describe_duration(forecast.time_left_s)}{_span(forecast)}"
        return (
            f"{heading} will cross its derating threshold of {celsius(threshold_c)} {when} on its"
            " present heading."
        )

    def gone(self) -> str:
        """Say where it is heading now."""
        device, figures = self.device, self.device.observer.figures
        threshold_c = device.threshold_c
        if figures is None or threshold_c is None:
            return f"{device.name} is no longer heading across its derating threshold."
        return (
            f"{device.name} is at {celsius(figures.temperature_c)} and no longer heading across its"
            f" derating threshold of {celsius(threshold_c)}."
        )

    def values(self) -> dict[str, Any]:
        """The device's figures and the forecast."""
        forecast = self._forecast
        return super().values() | {
            "time_left_s": _rounded(forecast.time_left_s),
            "soonest_s": _rounded(forecast.soonest_s),
            "latest_s": _rounded(forecast.latest_s),
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
        return (
            figures is not None and threshold_c is not None and figures.temperature_c >= threshold_c
        )

    def save(self) -> dict[str, Any]:
        """The forecast of the observer's last step."""
        forecast = self._forecast
        return {
            "t": self._forecast_t,
            "watch": self._watch.save(),
            "comes_down": self._comes_down,
            "forecast": [
                forecast.probability,
                forecast.time_left_s,
                forecast.soonest_s,
                forecast.latest_s,
            ],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from it."""
        self._forecast_t = state["t"]
        self._forecast = Forecast(*state["forecast"])
        self._watch = ForecastWatch.load(state["watch"])
        self._comes_down = state["comes_down"]


def _span(forecast: Forecast) -> str:
    if forecast.soonest_s is None or forecast.latest_s is None:
        return ""
    soonest, latest = describe_duration(forecast.soonest_s), describe_duration(forecast.latest_s)
    return "" if soonest == latest else f" ({soonest} to {latest})"


def _rounded(value: float | None) -> float | None:
    return None if value is None else rounded(value, 1)
