"""What the engine knows of one device: its temperatures, load, threshold and margins."""

import math
from typing import Any

from cabinetwatch.config.devices import Device
from cabinetwatch.config.site import Site
from cabinetwatch.thermal.derating import altitude_lowering_k, derating_threshold_c
from cabinetwatch.thermal.lag import LaggedAmbient
from cabinetwatch.watch.sensors import SensorView

DEFAULT_TIME_CONSTANT_S = 900.0
"""Our choice where none is given: between a small switch (minutes) and a full NAS (an hour)."""

POWER_HOLD_MS = 600_000
"""How long the last known load holds when a power sensor is silent."""

TIME_CONSTANTS_TO_SETTLE = 3.0
"""After three time constants 95 % of a step is over; before that a device counts as just on."""


class DeviceView:
    """The present of one device. Temperatures in degC, differences in K, power in W.

    What can't be known now (a sensor missing, stale or faulty) is None.
    """

    def __init__(
        self,
        device_id: str,
        config: Device,
        site: Site,
        sensors: dict[str, SensorView],
        order: int,
    ) -> None:
        self.id = device_id
        self.name = config.name or device_id
        self.config = config
        self.temperature = sensors[config.temperature]
        self.ambient = sensors[config.ambient] if config.ambient else None
        self.powers = tuple(sensors[power] for power in config.power)
        self.fan = sensors[config.fan] if config.fan else None
        self.air = self.ambient if config.derating_air == "ambient" else self.temperature
        self.felt = LaggedAmbient(config.time_constant_s or DEFAULT_TIME_CONSTANT_S)
        self.on_since_t: int | None = None
        """When it was seen to go on; None for one that was on when the watch first saw it."""
        self._was_off = False
        self.power_holds = tuple(
            PowerHold(power, order + rank) for rank, power in enumerate(self.powers)
        )
        self._lowering_k = altitude_lowering_k(
            site.altitude_m, site.derating_base_m, site.derating_k_per_km
        )
        self._threshold_for: tuple[float | None, float] | None = None
        self._connect_feeds()

    def _connect_feeds(self) -> None:
        if self.ambient is not None:
            self.ambient.feeds += (self.felt.update,)
        for power in self.powers:
            power.feeds += (self._power_changed,)

    def _power_changed(self, t: int, value: float) -> None:
        """Note when the device goes on."""
        del value
        if self.off:
            self._was_off, self.on_since_t = True, None
        elif self._was_off:
            self._was_off, self.on_since_t = False, t

    @property
    def temperature_c(self) -> float | None:
        """The device's warm air."""
        return self.temperature.value if self.temperature.good else None

    @property
    def ambient_c(self) -> float | None:
        """The air around the device."""
        ambient = self.ambient
        return ambient.value if ambient is not None and ambient.good else None

    @property
    def air_c(self) -> float | None:
        """The air that the derating curve speaks of."""
        return self.air.value if self.air is not None and self.air.good else None

    @property
    def raw_rise_k(self) -> float | None:
        """Device temperature minus ambient, at this instant."""
        temperature_c, ambient_c = self.temperature_c, self.ambient_c
        return None if temperature_c is None or ambient_c is None else temperature_c - ambient_c

    @property
    def rise_k(self) -> float | None:
        """Device temperature minus the ambient as the device feels it."""
        if not self.temperature.good or self.ambient is None or not self.ambient.good:
            return None
        felt_c = self.felt.felt_c
        return None if felt_c is None else self.temperature.value - felt_c

    @property
    def power_w(self) -> float | None:
        """The power drawn, all supplies together; the last known one while that holds."""
        if not self.powers or not all(hold.holds for hold in self.power_holds):
            return None
        return sum(power.value for power in self.powers)

    @property
    def power_is_old(self) -> bool:
        """Whether `power_w` rests on a last known value, or had to be given up."""
        return any(power.known and not power.good for power in self.powers)

    @property
    def load_fraction(self) -> float | None:
        """Power over rated power; None when either is unknown (it then counts as full)."""
        power_w, rated_w = self.power_w, self.config.rated_power_w
        return None if power_w is None or rated_w is None else power_w / rated_w

    @property
    def threshold_c(self) -> float | None:
        """The temperature at which the present load is just allowed, lowered for altitude."""
        curve = self.config.derating
        if curve is None:
            return None
        load = self.load_fraction
        if self._threshold_for is None or self._threshold_for[0] != load:
            at_load_c = derating_threshold_c(curve, 1.0 if load is None else load)
            self._threshold_for = (load, at_load_c - self._lowering_k)
        return self._threshold_for[1]

    @property
    def margin_k(self) -> float | None:
        """Derating threshold minus the temperature of that air."""
        threshold_c, air_c = self.threshold_c, self.air_c
        return None if threshold_c is None or air_c is None else threshold_c - air_c

    @property
    def off(self) -> bool:
        """Whether the device is known to be off: it draws less than `off_below_w`."""
        power_w = self.power_w
        return power_w is not None and power_w < self.off_below_w

    @property
    def off_below_w(self) -> float:
        """Given, or 5 % of the rated or the normal power; without any, nothing counts as off."""
        config = self.config
        if config.off_below_w is not None:
            return config.off_below_w
        return 0.05 * (config.rated_power_w or config.normal_power_w or 0.0)

    @property
    def settled_on_t(self) -> int | None:
        """Watch time from which a device just switched on is judged by its rise and its fan."""
        if self.on_since_t is None:
            return None
        return self.on_since_t + round(TIME_CONSTANTS_TO_SETTLE * self.felt.time_constant_s * 1000)

    def judged_running(self, t: int) -> bool:
        """Whether rise and fan speed mean something now: not off, and not just on."""
        if not self.powers:
            return True
        return not self.off and (self.settled_on_t is None or t >= self.settled_on_t)

    def figures(self) -> dict[str, Any]:
        """Give the live figures under their public names; what is unknown is None."""
        return {
            "temperature_c": _rounded(self.temperature_c),
            "ambient_c": _rounded(self.ambient_c),
            "raw_rise_k": _rounded(self.raw_rise_k),
            "rise_k": _rounded(self.rise_k),
            "power_w": _rounded(self.power_w),
            "load_fraction": _rounded(self.load_fraction, 4),
            "fan_rpm": _rounded(self.fan.value if self.fan and self.fan.good else None),
            "threshold_c": _rounded(self.threshold_c),
            "margin_k": _rounded(self.margin_k),
            "off": self.off,
        }

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "felt": self.felt.save(),
            "on_since_t": self.on_since_t,
            "was_off": self._was_off,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.felt.load(state["felt"])
        self.on_since_t = state["on_since_t"]
        self._was_off = state["was_off"]


class PowerHold:
    """Until when the last known value of a power sensor stands for the load."""

    def __init__(self, sensor: SensorView, order: int) -> None:
        self.sensor = sensor
        self.order = order
        self.lapsed = False

    @property
    def holds(self) -> bool:
        """Whether the value may still be used."""
        sensor = self.sensor
        return sensor.known and (sensor.good or not self.lapsed) and sensor.last_live_t is not None

    @property
    def due(self) -> int | None:
        """When a value that has gone stale stops standing for the load."""
        sensor = self.sensor
        if sensor.good or self.lapsed or sensor.last_live_t is None:
            return None
        return sensor.last_live_t + POWER_HOLD_MS


def _rounded(value: float | None, digits: int = 3) -> float | None:
    """Round for publication; JSON knows no infinity, which a threshold can be: None."""
    return None if value is None or not math.isfinite(value) else round(value, digits)
