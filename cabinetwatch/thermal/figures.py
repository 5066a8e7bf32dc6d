"""What a device observer is told at the start, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """What the configuration says about one device.

    `normal_rise_k` at `normal_power_w` and `time_constant_s` are commissioned values: what is given
    isn't learnt. `off_below_w` None means 5 % of the normal or rated power. The rates are those
    that the tests for lost cooling and for a missing rise are made for.
    """

    has_power: bool = False
    normal_rise_k: float | None = None
    normal_power_w: float | None = None
    time_constant_s: float | None = None
    rated_power_w: float | None = None
    off_below_w: float | None = None
    learning_days: float = 7.0
    false_alarms_per_year: float = 0.5
    false_missing_per_year: float = 0.5


@dataclass(slots=True)
class Figures:
    """The device as last judged. `normal_*` and `resistance_k_per_w` are None where unknown.

    `rise_sd_k` and `settled_rise_sd_k` are standard deviations; 1.96 of them make the 95 %
    interval. `rise_at_load_k` is the rise as if the present load had stood long enough for its part
    to have come.
    """

    t_ms: int
    temperature_c: float
    ambient_c: float
    felt_ambient_c: float
    power_w: float | None
    raw_rise_k: float
    rise_k: float
    rise_sd_k: float
    rise_at_load_k: float
    settled_rise_k: float
    settled_rise_sd_k: float
    normal_rise_k: float | None
    highest_normal_k: float | None
    lowest_normal_k: float | None
    resistance_k_per_w: float | None
    time_constant_s: float
    noise_k: float


@dataclass(slots=True)
class Finding:
    """Result of one sequential test: `since_ms` is the estimated time of the change.

    `certainty` is the evidence over what a detection needs (1 or more: detected).
    """

    standing: bool = False
    since_ms: int = 0
    certainty: float = 0.0


@dataclass(frozen=True, slots=True)
class LearningStatus:
    """How far learning is.

    `stage`: "none", "provisional", "frozen" or "commissioned" (nothing was to be learnt but the
    response's details). `learnt_ms` is when; `loads_w` the span of power seen, None without power.
    """

    stage: str
    days: float
    learnt_ms: int | None
    loads_w: tuple[float, float] | None
    confidence: str | None
    remarks: tuple[str, ...]
