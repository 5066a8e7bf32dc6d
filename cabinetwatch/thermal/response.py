"""What is known of one device: its response, its normal rise, and what they lead to expect."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from cabinetwatch.thermal.windows import LowPassRow, check, check_positive

DEFAULT_TAU_S = 900.0
"""Safe default: between a small switch (300 s) and a big amplifier (1 h)."""

SETTLE_TAUS = 3.0
"""A device just switched on is judged after so many time constants."""

OFF_SHARE = 0.05
"""Below this share of its normal power a device is off."""

_MOST_EXPONENT = 1.5
_MOST_RISE_K = 2000.0
_MOST_SHARE = 1e4
"""No device draws more than so many times what is normal to it."""

_COLD_SHARE, _COLD_LEAST_K = 0.12, 0.5

_SENSORS_DIFFER_K = 1.0
"""Two sensors of half a kelvin each; a law that says less at no load is no more than a fit."""

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

    Raises:
        ValueError: a time constant that isn't above 0, or beyond all reckoning.
    """
    tau = DEFAULT_TAU_S if tau_s is None else tau_s
    check_positive(tau)
    return Response(tau, tau_s is not None, ambient_poles_s=(tau,), load_poles_s=(tau,))


def _power_law(share: float, exponent: float) -> float:
    """Give share ** exponent, with a negative share (a meter's noise at zero) taken as none."""
    return float(min(share, _MOST_SHARE) ** exponent) if share > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class NormalRise:
    """The band of settled rise that is normal, against power where that is known.

    With power: `rise_k` at `power_w`, plus `offset_k`, by the power law of `exponent` (1:
    resistance constant; natural convection about 0.8). `low_exponent` and `high_exponent` bound it.
    Without power: from `low_k` to `high_k`. `guard` is the fraction by which a settled rise may
    pass the band. `excess_k` is how far ordinary life passes what sound cooling explains when the
    ceiling relaxes with `ceiling_tau_s` (None: the response's time constant). ValueError for rises
    that no device has, what can't be reckoned with, and exponents that aren't from 0 to 1.5.
    """

    rise_k: float
    power_w: float | None = None
    exponent: float = 0.9
    low_exponent: float = 0.8
    high_exponent: float = 1.0
    offset_k: float = 0.0
    low_k: float = 0.0
    guard: float = 0.2
    floor_k: float = 0.5
    highest_power_w: float | None = None
    off_rise_k: float | None = None
    excess_k: float = 0.0
    ceiling_tau_s: float | None = None

    def __post_init__(self) -> None:
        check(self.low_k, self.guard, self.floor_k, self.excess_k)
        if not (abs(self.rise_k) <= _MOST_RISE_K and abs(self.offset_k) <= _MOST_RISE_K):
            raise ValueError(
                f"no device has a rise of {self.rise_k:zg} K, {self.offset_k:zg} K of it"
            )
        check(self.off_rise_k or 0.0, self.highest_power_w or 0.0)
        for positive in (self.power_w, self.ceiling_tau_s):
            if positive is not None:
                check_positive(positive)
        for exponent in (self.exponent, self.low_exponent, self.high_exponent):
            if not 0.0 <= exponent <= _MOST_EXPONENT:
                raise ValueError(f"no rise follows the power to the {exponent:zg}")

    def at(self, power_w: float | None) -> float:
        """Settled rise expected at this power, K."""
        if self.power_w is None or power_w is None:
            return self.rise_k
        rise_k = self.offset_k + self.rise_k * _power_law(power_w / self.power_w, self.exponent)
        return max(rise_k, self._least_k)

    @property
    def _least_k(self) -> float:
        """What no load is below: sensors differ somewhat, and nothing cools itself."""
        return max(-_SENSORS_DIFFER_K, min(self.offset_k, 0.0))

    @property
    def cold_below_k(self) -> float:
        """Without power: a rise below this is that of a device switched off, or of a slipped probe.

        Which of them, only days of learning can tell.
        """
        least_k = min(_COLD_LEAST_K, 0.3 * self.rise_k)
        return max(_COLD_SHARE * self.rise_k, least_k, self.off_rise_k or 0.0)

    def highest_k(self, power_w: float | None) -> float:
        """Highest settled rise that is still normal, guard included.

        While the power isn't known it may be the highest of those that were seen.
        """
        power_w = self.highest_power_w if power_w is None else power_w
        if self.power_w is None or power_w is None:
            return self.rise_k + max(self.guard * self.rise_k, self.floor_k)
        share = power_w / self.power_w
        exponent = self.high_exponent if share > 1.0 else self.low_exponent
        top = max(self.offset_k + self.rise_k * _power_law(share, exponent), 0.0)
        beyond = 0.0
        if self.highest_power_w and power_w > self.highest_power_w:
            beyond = 0.3 * (min(power_w / self.highest_power_w, _MOST_SHARE) - 1.0)
        return top + max((self.guard + beyond) * top, self.floor_k)

    def lowest_k(self, power_w: float | None) -> float:
        """Settled rise below which the rise is well below normal (half of it)."""
        if self.power_w is None or power_w is None:
            return max(0.5 * self.low_k, 0.15 * self.rise_k)
        share = power_w / self.power_w
        exponent = self.low_exponent if share > 1.0 else self.high_exponent
        return 0.5 * (min(self.offset_k, 0.0) + self.rise_k * _power_law(share, exponent))

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return asdict(self)

    @classmethod
    def load(cls, state: dict[str, Any]) -> NormalRise:
        """The band as it was at `save`."""
        return cls(**state)


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
