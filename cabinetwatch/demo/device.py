"""One simulated device: two thermal masses, a fan that can stall, an intake that can be blocked."""

import math
from collections.abc import Callable
from dataclasses import dataclass

AIR_HEAT_CAPACITY_J_M3K = 1206.0
"""Density 1.2 kg/m3 times 1005 J/(kg K): dry air near 20 degC (common tables, from memory)."""

FAN_RESPONSE_S = 4.0
"""A small fan runs up or down within some seconds (common practice, no source)."""

CONVECTION_EXPONENT = 0.25
"""Laminar free convection: the coefficient grows with the fourth root of the difference
(textbooks on heat transfer, from memory)."""

CONVECTION_REFERENCE_K = 10.0
"""The difference at which `Build.chassis_to_air_w_k` holds."""


@dataclass(frozen=True)
class Build:
    """How a device is made. Figures are invented for the demonstration, of a plausible size.

    The part node stands for the warm parts and the air that leaves them, where the sensor sits; the
    chassis node for case, boards and drives.
    """

    heat_share: float
    """Fraction of the metered power that becomes heat in the device; the rest leaves by cable."""
    part_j_k: float
    chassis_j_k: float
    part_to_chassis_w_k: float
    chassis_to_air_w_k: float
    vent_w_k: float
    """What the vents carry away without any fan."""
    fan_rpm: float = 0.0
    """Speed of the fan in order; 0 when there is none."""
    fan_flow_m3_s: float = 0.0
    """Air past the parts at that speed, with a clean and free intake."""


class SimulatedDevice:
    """A device in its present state: temperatures in degC, power in W, fan speed in 1/min."""

    def __init__(self, build: Build, load_w: Callable[[float], float], air_c: float) -> None:
        """`load_w` gives the metered power by hour of day; the device starts as warm as the air."""
        self.build = build
        self.load_w = load_w
        self.part_c = air_c
        self.chassis_c = air_c
        self.power_w = 0.0
        self.fan_rpm = build.fan_rpm
        self.fan_stalled = False
        self.intake_blocked = 0.0
        """Fraction of the intake that is covered, 0 to 1."""
        self.dust = 0.0
        """Fraction of the air flow that dust has taken, 0 to 1."""

    @property
    def air_flow_m3_s(self) -> float:
        """What the fan moves now: in proportion to speed (fan laws), less what is in the way."""
        if self.build.fan_rpm == 0:
            return 0.0
        share = self.fan_rpm / self.build.fan_rpm
        return self.build.fan_flow_m3_s * share * (1 - self.intake_blocked) * (1 - self.dust)

    def part_to_air_w_k(self) -> float:
        """Conductance from the parts straight to the cabinet's air: the fan's stream and vents."""
        return self.air_flow_m3_s * AIR_HEAT_CAPACITY_J_M3K + self.build.vent_w_k

    def chassis_to_air_w_k(self, air_c: float) -> float:
        """Conductance of free convection from the case, by the present difference."""
        ratio = abs(self.chassis_c - air_c) / CONVECTION_REFERENCE_K
        return self.build.chassis_to_air_w_k * math.pow(ratio, CONVECTION_EXPONENT)

    def step(self, step_s: float, hour: float, air_c: float, load_factor: float) -> float:
        """Live on for one short step.

        Args:
            step_s: length of the step; well below the smallest time constant.
            hour: hour of day, 0 to 24.
            air_c: the cabinet's air.
            load_factor: how much the load differs from its pattern just now, about 1.

        Returns:
            The heat given to the cabinet's air, W.
        """
        target_rpm = 0.0 if self.fan_stalled else self.build.fan_rpm
        self.fan_rpm += (target_rpm - self.fan_rpm) * min(1.0, step_s / FAN_RESPONSE_S)
        self.power_w = self.load_w(hour) * load_factor

        to_chassis_w = self.build.part_to_chassis_w_k * (self.part_c - self.chassis_c)
        by_air_w = self.part_to_air_w_k() * (self.part_c - air_c)
        by_case_w = self.chassis_to_air_w_k(air_c) * (self.chassis_c - air_c)

        heat_w = self.power_w * self.build.heat_share
        self.part_c += step_s * (heat_w - to_chassis_w - by_air_w) / self.build.part_j_k
        self.chassis_c += step_s * (to_chassis_w - by_case_w) / self.build.chassis_j_k
        return by_air_w + by_case_w
