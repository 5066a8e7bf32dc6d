"""What a device's temperature should be: the ambient as it feels it, plus the rise of its load."""

from __future__ import annotations

from typing import Any

from cabinetwatch.thermal.bounds import check
from cabinetwatch.thermal.lowpass import LowPassRow
from cabinetwatch.thermal.model import LONG_TAIL, Response


class Expectation:
    """Passes ambient and normal settled rise through the device's response.

    After `advance`: `felt_ambient_c`, `load_rise_k` (the rise that the normal settled rises of late
    explain by now), and `drivers`, the differences that make both uncertain (K). ValueError for
    figures that can't be reckoned with.
    """

    __slots__ = (
        "_ambient",
        "_load",
        "_started",
        "drivers",
        "felt_ambient_c",
        "load_rise_k",
        "response",
    )

    def __init__(self, response: Response) -> None:
        self.response = response
        tail = (response.tau_s, LONG_TAIL * response.tau_s)
        self._ambient = LowPassRow((*response.ambient_poles_s, *tail))
        self._load = LowPassRow((*response.load_poles_s, *tail))
        self._started = False
        self.felt_ambient_c = 0.0
        self.load_rise_k = 0.0
        self.drivers = (0.0, 0.0, 0.0, 0.0)

    def settle(self, ambient_c: float, goal_k: float) -> None:
        """Begin as if ambient and load had stood at these values for ever."""
        self._ambient.settle(ambient_c)
        self._load.settle(goal_k)
        self._started = True

    def assume_load(self, goal_k: float) -> None:
        """Go on as if the load's normal settled rise had stood at this value for ever."""
        self._load.settle(goal_k)

    def advance(
        self,
        step_ms: int,
        ambient_c: float,
        ambient_mean_c: float,
        goal_now_k: float,
        goal_k: float,
    ) -> None:
        """Go on by a step with the ambient and the normal settled rise, now and on average."""
        check(ambient_c, goal_now_k)
        if not self._started:
            self.settle(ambient_mean_c, goal_k)
        response = self.response
        ambient = self._ambient.advance(step_ms, ambient_mean_c)
        felt = response.ambient_at_once * ambient_c
        for share, value in zip(response.ambient_shares, ambient, strict=False):
            felt += share * value
        load = self._load.advance(step_ms, goal_k)
        rise = response.load_at_once * goal_now_k
        for share, value in zip(response.load_shares, load, strict=False):
            rise += share * value
        self.felt_ambient_c = felt
        self.load_rise_k = rise
        self.drivers = (
            ambient_c - ambient[-2],
            ambient[-2] - ambient[-1],
            goal_now_k - load[-2],
            load[-2] - load[-1],
        )

    def doubt_k2(self) -> float:
        """Variance of felt ambient plus load rise that comes from not knowing the response well."""
        doubts = self.response.doubts
        ambient_fast, ambient_slow, load_fast, load_slow = self.drivers
        return (
            doubts.ambient_fast * ambient_fast * ambient_fast
            + doubts.ambient_slow * ambient_slow * ambient_slow
            + doubts.load_fast * load_fast * load_fast
            + doubts.load_slow * load_slow * load_slow
        )

    def ways_to_go(self, ambient_c: float, goal_k: float) -> list[tuple[float, float]]:
        """What felt ambient and load's rise still differ by from where they go: (K, its tau in s).

        They go to `ambient_c` and `goal_k`, if these stay.

        Raises:
            ValueError: one of them can't be reckoned with.
        """
        check(ambient_c, goal_k)
        response = self.response
        ambient = zip(
            response.ambient_shares, self._ambient.values, response.ambient_poles_s, strict=False
        )
        load = zip(response.load_shares, self._load.values, response.load_poles_s, strict=False)
        ways = [(share * (value - ambient_c), tau_s) for share, value, tau_s in ambient]
        return ways + [(share * (value - goal_k), tau_s) for share, value, tau_s in load]

    def ambient_trend_k_per_s(self) -> float:
        """Slope of the ambient: on a ramp, a low pass lags by its time constant times the slope."""
        return self.drivers[1] / ((LONG_TAIL - 1.0) * self.response.tau_s)

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "ambient": list(self._ambient.values),
            "load": list(self._load.values),
            "started": self._started,
        }

    @classmethod
    def load(cls, response: Response, state: dict[str, Any]) -> Expectation:
        """The expectation as it was at `save`."""
        new = cls(response)
        new._ambient.values = list(state["ambient"])
        new._load.values = list(state["load"])
        new._started = state["started"]
        return new
