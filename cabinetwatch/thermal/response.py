"""How a device's temperature follows ambient and load, what both explain."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from cabinetwatch.thermal.windows import LowPassRow, check_positive

DEFAULT_TAU_S = 900.0
"""Safe default: between a small switch (300 s) and a big amplifier (1 h)."""

LONG_TAIL = 5.0
"""The slow tail of real gear is watched with a low pass of five time constants."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Variances of the response's shares; each counts times its driving difference squared.

    `ambient_fast`: ambient minus ambient through the response; `ambient_slow`: the latter minus its
    slow tail; `load_fast`, `load_slow`: the same for the normal settled rise.
    """

    ambient_fast: float = 0.04
    ambient_slow: float = 0.03
    load_fast: float = 0.04
    load_slow: float = 0.03


@dataclass(frozen=True, slots=True)
class Response:
    """How the device's temperature follows the ambient and the load.

    The shares of a signal that act at once and through each pole add up to 1.
    """

    tau_s: float = DEFAULT_TAU_S
    tau_known: bool = False
    ambient_at_once: float = 0.2
    ambient_poles_s: tuple[float, ...] = (DEFAULT_TAU_S,)
    ambient_shares: tuple[float, ...] = (0.8,)
    load_at_once: float = 0.05
    load_poles_s: tuple[float, ...] = (DEFAULT_TAU_S,)
    load_shares: tuple[float, ...] = (0.95,)
    doubts: Doubts = Doubts()

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return asdict(self)

    @classmethod
    def load(cls, state: dict[str, Any]) -> Response:
        """The response as it was at `save`."""
        fields: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in state.items()
        }
        fields["doubts"] = Doubts(**state["doubts"])
        return cls(**fields)


def unlearnt_response(tau_s: float | None) -> Response:
    """The response of a device of which only the time constant, or nothing, is known.

    ValueError for a time constant that isn't above 0, or beyond all reckoning.
    """
    tau = DEFAULT_TAU_S if tau_s is None else tau_s
    check_positive(tau)
    return Response(tau, tau_s is not None, ambient_poles_s=(tau,), load_poles_s=(tau,))


class Expectation:
    """Passes ambient and normal settled rise through the device's response.

    After `advance`: `felt_ambient_c`, `load_rise_k` (the rise that the normal settled rises of late
    explain by now), and `drivers`, the differences that make both uncertain (K).
    """

    __slots__ = (
        "_ambient", "_load", "_started", "drivers", "felt_ambient_c", "load_rise_k", "response",
    )  # fmt: skip

    def __init__(self, response: Response) -> None:
        self.response = response
        tail = (response.tau_s, LONG_TAIL * response.tau_s)
        self._ambient = LowPassRow((*response.ambient_poles_s, *tail))
        self._load = LowPassRow((*response.load_poles_s, *tail))
        self._started = False
        self.felt_ambient_c = 0.0
        self.load_rise_k = 0.0
        self.drivers = (0.0, 0.0, 0.0, 0.0)

    @property
    def slowest_s(self) -> float:
        """The longest of its time constants."""
        return max(self._ambient.poles_s + self._load.poles_s)

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
        if not self._started:
            self.settle(ambient_mean_c, goal_k)
        response = self.response
        ambient = self._ambient.advance(step_ms, ambient_mean_c)
        felt = response.ambient_at_once * ambient_c
        for share, value in zip(response.ambient_shares, ambient, strict=False):
            felt += share * value
        fast, slow = ambient[-2], ambient[-1]
        self.felt_ambient_c = felt
        if goal_k == goal_now_k == self._load.values[-1] == self._load.values[0] == 0.0:
            # Without a known load there is nothing to follow.
            self.load_rise_k = 0.0
            self.drivers = (ambient_c - fast, fast - slow, 0.0, 0.0)
            return
        load = self._load.advance(step_ms, goal_k)
        rise = response.load_at_once * goal_now_k
        for share, value in zip(response.load_shares, load, strict=False):
            rise += share * value
        self.load_rise_k = rise
        load_fast, load_slow = load[-2], load[-1]
        self.drivers = (
            ambient_c - fast, fast - slow, goal_now_k - load_fast, load_fast - load_slow
        )  # fmt: skip

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
        """
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
        """State for `restore`."""
        return {
            "ambient": self._ambient.values,
            "load": self._load.values,
            "started": self._started,
            "explained": [self.felt_ambient_c, self.load_rise_k, *self.drivers],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take over what an expectation of the same response has saved."""
        self._ambient.values, self._load.values = list(state["ambient"]), list(state["load"])
        self._started = state["started"]
        # A state of an earlier version knows it only from the next step on.
        felt_c, rise_k, *drivers = state.get("explained", (0.0, 0.0, 0.0, 0.0, 0.0, 0.0))
        self.felt_ambient_c, self.load_rise_k = felt_c, rise_k
        self.drivers = (drivers[0], drivers[1], drivers[2], drivers[3])
