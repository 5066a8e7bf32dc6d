"""What a trial is handed: the readings of each phase, and what is known of the device."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Curve = Sequence[tuple[float, float]]
"""A derating curve: (temperature in degC, fraction of rated load allowed)."""


class Series(NamedTuple):
    """Readings of one sensor in SI units, its offset applied.

    `t_ms` (n,) ms, UTC or watch time, in any order; `value` (n,) beside it.
    """

    t_ms: NDArray[np.int64]
    value: Floats


EMPTY = Series(np.empty(0, dtype=np.int64), np.empty(0))


@dataclass(frozen=True)
class Phase:
    """One phase: its interval (ms, the end not included) and the readings that fell into it.

    Readings outside the interval are left aside. `power` is the device's whole power in W; the
    optional ones are None where the device has no such sensor. `let_go`: there were more readings,
    which the store has let go.
    """

    start_ms: int
    end_ms: int
    temperature: Series
    ambient: Series
    power: Series | None = None
    fan: Series | None = None
    sound: Series | None = None
    let_go: bool = False


@dataclass(frozen=True)
class Enclosing:
    """A device that encloses this one: its temperature sensor is this one's ambient.

    `settled_rise_k` is None where it isn't known; `uncertainty_k` is the half width of its 95 %
    interval.
    """

    device: str
    settled_rise_k: float | None
    uncertainty_k: float = 0.0


@dataclass(frozen=True)
class Subject:
    """What is known of the device and the site, from the configuration.

    `curve_lowering_k` is by how much altitude lowers the threshold. Accuracies are half widths in
    K, None where none is stated.
    """

    device: str
    design_ambient_c: float
    derating: Curve | None = None
    derating_air: Literal["device", "ambient"] = "device"
    rated_power_w: float | None = None
    curve_lowering_k: float = 0.0
    temperature_accuracy_k: float | None = None
    ambient_accuracy_k: float | None = None
    enclosing: tuple[Enclosing, ...] = field(default=())


@dataclass(frozen=True)
class Terms:
    """What the trial is judged by: the margin to accept at, and the activation energy for life."""

    accept_margin_k: float = 5.0
    activation_energy_ev: float = 0.7


@dataclass(frozen=True)
class Trial:
    """Everything of one trial. `change` phases are not counted and not handed over."""

    subject: Subject
    before: Phase
    after: Phase
    zero: Phase | None = None
