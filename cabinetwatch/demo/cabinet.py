"""A simulated cabinet under the stairs: devices of two masses, probes, and sensor nodes."""

import json
import math
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.clock import Clock

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

    def __init__(self, build: Build, load_w: Callable[[float], float]) -> None:
        """`load_w` gives the metered power by hour of day; the device starts as warm as a room."""
        self.build = build
        self.load_w = load_w
        self.part_c = self.chassis_c = 20.0
        self.power_w = 0.0
        self.fan_rpm = build.fan_rpm
        self.fan_stalled = False
        self.dust = 0.0
        """Fraction of the air flow that dust has taken, 0 to 1."""

    @property
    def air_flow_m3_s(self) -> float:
        """What the fan moves now: in proportion to speed (fan laws), less what dust takes."""
        if self.build.fan_rpm == 0:
            return 0.0
        share = self.fan_rpm / self.build.fan_rpm
        return self.build.fan_flow_m3_s * share * (1 - self.dust)

    def chassis_to_air_w_k(self, air_c: float) -> float:
        """Conductance of free convection from the case, by the present difference."""
        ratio = abs(self.chassis_c - air_c) / CONVECTION_REFERENCE_K
        return self.build.chassis_to_air_w_k * math.pow(ratio, CONVECTION_EXPONENT)

    def step(self, step_s: float, hour: float, air_c: float, load_factor: float) -> float:
        """Live on for one short step, well below the smallest time constant.

        `load_factor` is how much the load differs from its pattern just now, about 1. Returns the
        heat given to the cabinet's air, W.
        """
        target_rpm = 0.0 if self.fan_stalled else self.build.fan_rpm
        self.fan_rpm += (target_rpm - self.fan_rpm) * min(1.0, step_s / FAN_RESPONSE_S)
        self.power_w = self.load_w(hour) * load_factor

        to_chassis_w = self.build.part_to_chassis_w_k * (self.part_c - self.chassis_c)
        # The fan's stream and the vents take heat straight from the parts to the cabinet's air.
        straight_w_k = self.air_flow_m3_s * AIR_HEAT_CAPACITY_J_M3K + self.build.vent_w_k
        by_air_w = straight_w_k * (self.part_c - air_c)
        by_case_w = self.chassis_to_air_w_k(air_c) * (self.chassis_c - air_c)

        heat_w = self.power_w * self.build.heat_share
        self.part_c += step_s * (heat_w - to_chassis_w - by_air_w) / self.build.part_j_k
        self.chassis_c += step_s * (to_chassis_w - by_case_w) / self.build.chassis_j_k
        return by_air_w + by_case_w


MAX_STEP_S = 5.0
"""Longest step that keeps the simulation stable: its fastest mass follows within about 8 s."""

DAY_S = 86_400.0


@dataclass(frozen=True)
class Surroundings:
    """The cupboard and the hall around it; figures invented for the demonstration."""

    hall_mean_c: float = 20.0
    hall_swing_k: float = 1.5
    """Half the difference between the warmest hour and the coldest."""
    hall_warmest_hour: float = 16.0
    hall_wander_k: float = 0.2
    """Standard deviation of the hall's slow, random wandering."""
    wander_time_s: float = 3600.0
    air_j_k: float = 1500.0
    """The air with the thin things in it."""
    wood_j_k: float = 25_000.0
    """Shelves, door and lining, which follow the air slowly."""
    air_to_wood_w_k: float = 20.0
    closed_w_k: float = 20.0
    """Leakage and walls, to the hall, with the door shut."""
    open_w_k: float = 160.0
    """The same with the door open."""
    load_wander: float = 0.01
    """Standard deviation of each device's load about its pattern, as a fraction."""
    load_wander_time_s: float = 120.0


class Cabinet:
    """The whole cabinet; `advance` lets time pass and nothing else does. Temperatures in degC.

    The same seed and the same calls give the same life. It knows no clock.
    """

    def __init__(
        self,
        devices: dict[str, SimulatedDevice],
        *,
        start_hour: float,
        seed: int,
        surroundings: Surroundings | None = None,
        dust_per_day: float = 0.0,
        step_s: float = 1.0,
    ) -> None:
        """`start_hour` is of day, 0 to 24; `step_s` the longest step.

        `dust_per_day` is the fraction of the remaining air flow that dust takes each day.
        ValueError for a step that would not be stable.
        """
        if not 0 < step_s <= MAX_STEP_S:
            raise ValueError(f"step_s must lie above 0 and at most at {MAX_STEP_S}, not {step_s}")
        self.devices = devices
        self.surroundings = surroundings or Surroundings()
        self.door_open = False
        self.elapsed_s = 0.0
        self._start_s = start_hour * 3600.0
        self._step_s = step_s
        self._dust_per_day = dust_per_day
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        self._wander_k = 0.0
        self._load_wander = dict.fromkeys(devices, 0.0)
        self.air_c = self.hall_c
        self.wood_c = self.hall_c

    @property
    def hour(self) -> float:
        """Hour of day, 0 to 24."""
        return (self._start_s + self.elapsed_s) % DAY_S / 3600.0

    @property
    def hall_c(self) -> float:
        """The air outside: day and night, and a slow wandering."""
        around = self.surroundings
        phase = 2 * math.pi * (self.hour - around.hall_warmest_hour) / 24
        return around.hall_mean_c + around.hall_swing_k * math.cos(phase) + self._wander_k

    @property
    def to_hall_w_k(self) -> float:
        """Conductance from the cabinet's air to the hall, by the door."""
        return self.surroundings.open_w_k if self.door_open else self.surroundings.closed_w_k

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, in equal steps no longer than the simulation's."""
        if not (math.isfinite(seconds) and seconds >= 0):
            raise ValueError(f"time can pass by 0 s or more, not by {seconds}")
        self._advance(seconds, self._step_s)

    def settle(self, hours: float = 12.0) -> None:
        """Bring every temperature near where it would be had the cabinet run for long.

        The hour of day stays where it is; dust does not gather.
        """
        begun_s, self.elapsed_s = self.elapsed_s, self.elapsed_s - hours * 3600.0
        dust_per_day, self._dust_per_day = self._dust_per_day, 0.0
        self._advance(hours * 3600.0, MAX_STEP_S)
        self.elapsed_s, self._dust_per_day = begun_s, dust_per_day

    def _advance(self, seconds: float, longest_step_s: float) -> None:
        steps = math.ceil(seconds / longest_step_s)
        for _ in range(steps):
            self._step(seconds / steps)

    def _step(self, step_s: float) -> None:
        self._wander(step_s)
        hour, air_c, heat_w = self.hour, self.air_c, 0.0
        for name, device in self.devices.items():
            heat_w += device.step(step_s, hour, air_c, 1.0 + self._load_wander[name])
            device.dust += (1 - device.dust) * self._dust_per_day * step_s / DAY_S
        to_wood_w = self.surroundings.air_to_wood_w_k * (air_c - self.wood_c)
        to_hall_w = self.to_hall_w_k * (air_c - self.hall_c)
        self.air_c += step_s * (heat_w - to_wood_w - to_hall_w) / self.surroundings.air_j_k
        self.wood_c += step_s * to_wood_w / self.surroundings.wood_j_k
        self.elapsed_s += step_s

    def _wander(self, step_s: float) -> None:
        """Let hall and loads wander: a first-order process keeps each near its mean."""
        around = self.surroundings
        self._wander_k = self._wandered(
            self._wander_k, around.hall_wander_k, step_s / around.wander_time_s
        )
        for name, value in self._load_wander.items():
            self._load_wander[name] = self._wandered(
                value, around.load_wander, step_s / around.load_wander_time_s
            )

    def _wandered(self, value: float, deviation: float, step: float) -> float:
        kept = math.exp(-step)
        return value * kept + deviation * math.sqrt(1 - kept * kept) * self._random.gauss(0, 1)


NAS = Build(1.0, 900.0, 3500.0, 1.5, 1.2, 0.3, fan_rpm=1500.0, fan_flow_m3_s=0.0022)
SWITCH = Build(0.6, 300.0, 900.0, 2.0, 0.9, 0.5)
UPS = Build(1.0, 1500.0, 9000.0, 2.5, 1.8, 0.6)
AMPLIFIER = Build(0.9, 2500.0, 6000.0, 4.0, 2.4, 2.0)


def under_stairs(
    *, start_hour: float, seed: int, dust_per_day: float = 0.0, step_s: float = 1.0
) -> Cabinet:
    """Give the cabinet as it stands after hours of ordinary running."""
    devices = {
        # The nightly backup makes the disks work.
        "nas": SimulatedDevice(NAS, lambda hour: 54.0 if 2.0 <= hour < 3.5 else 42.0),
        # The cameras it feeds light up the night.
        "switch": SimulatedDevice(SWITCH, lambda hour: 30.0 if 7.0 <= hour < 21.0 else 34.0),
        # Its own losses: what it draws less what it hands on.
        "ups": SimulatedDevice(UPS, lambda _: 14.0),
        # Music in the evening, standby otherwise.
        "amplifier": SimulatedDevice(AMPLIFIER, lambda hour: 62.0 if 18.5 <= hour < 23.0 else 6.0),
    }
    cabinet = Cabinet(
        devices, start_hour=start_hour, seed=seed, dust_per_day=dust_per_day, step_s=step_s
    )
    cabinet.settle()
    return cabinet


class Probe:
    """Reads a true value with Gaussian noise and rounds it to the steps of its converter."""

    def __init__(
        self, truth: Callable[[], float], *, noise: float, resolution: float, seed: int
    ) -> None:
        """`noise` is a standard deviation; both it and `resolution` are in the truth's unit."""
        self.dead = False
        """A dead probe gives nothing at all."""
        self._truth = truth
        self._noise = noise
        self._resolution = resolution
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets

    def read(self) -> float | None:
        """Give one reading, or None when the probe is dead."""
        if self.dead:
            return None
        steps = round(self._random.gauss(self._truth(), self._noise) / self._resolution)
        # Ten figures hide what binary fractions leave behind, such as 21.200000000000003.
        return round(steps * self._resolution, 10)


# The sensor nodes that read it.

Payload = Callable[[], str | None]
"""What a topic carries at this instant; None publishes nothing."""

MAX_CATCH_UP_S = 120.0
"""The machine slept: the simulation does not try to live through more than that at once."""


Nodes = dict[str, dict[str, Payload]]
"""The sensor nodes by name, each with its topics and what they carry."""

INTERVAL_S = 10.0
"""How often each publishes all its topics."""


class SensorNodes:
    """A context manager: inside it the cabinet lives by the clock and its nodes publish.

    One thread advances the simulation and publishes with QoS 1. Whoever wants to open the door or
    stall a fan does so under `touching()`.
    """

    def __init__(
        self, cabinet: Cabinet, nodes: Nodes, *, clock: Clock, host: str, port: int
    ) -> None:
        self._cabinet = cabinet
        self._nodes = nodes
        self._clock = clock
        self._host = host
        self._port = port
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._clients: dict[str, mqtt.Client] = {}
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._guarded, name="demo-nodes", daemon=True)

    def __enter__(self) -> Self:
        """Connect every node and start; OSError when the broker can't be reached."""
        try:
            for name in self._nodes:
                self._clients[name] = self._connect(name)
        except BaseException:
            self._disconnect()
            raise
        self._lived_to_ms = self._clock.monotonic_ms()
        self._thread.start()
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """Stop, disconnect, and raise what ended the thread early, unless an error is under way."""
        self._stop.set()
        self._thread.join()
        self._disconnect()
        if error is None:
            self.check()

    def check(self) -> None:
        """Raise the error that ended the thread, if one did."""
        if self._failure is not None:
            raise self._failure

    @contextmanager
    def touching(self) -> Iterator[Cabinet]:
        """Give the cabinet while its life stands still."""
        with self._lock:
            yield self._cabinet

    def _connect(self, name: str) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"node-{name}")
        client.username_pw_set(name)
        client.connect(self._host, self._port)
        client.loop_start()
        return client

    def _disconnect(self) -> None:
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()
        self._clients.clear()

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as failure:  # noqa: BLE001 - kept, and raised in the owner by check()
            self._failure = failure

    def _run(self) -> None:
        """Live and publish, the first time at once."""
        while not self._stop.is_set():
            now_ms = self._clock.monotonic_ms()
            passed_s = (now_ms - self._lived_to_ms) / 1000
            self._lived_to_ms = now_ms
            with self._lock:
                self._cabinet.advance(min(max(0.0, passed_s), MAX_CATCH_UP_S))
                said = [
                    (name, topic, payload())
                    for name, topics in self._nodes.items()
                    for topic, payload in topics.items()
                ]
            for name, topic, text in said:
                if text is not None:
                    self._clients[name].publish(topic, text, qos=1)
            # From now on, not from what was due: after a pause there is no burst.
            wait_s = INTERVAL_S - (self._clock.monotonic_ms() - now_ms) / 1000
            self._stop.wait(max(0.0, self._clock.real_s(wait_s)))


def bare_number(probe: Probe) -> Payload:
    """A plain figure; a dead probe publishes nothing."""

    def payload() -> str | None:
        value = probe.read()
        return None if value is None else str(value)

    return payload


def json_object(tree: dict[str, Any]) -> Payload:
    """A JSON object of the shape of `tree`, probes replaced by figures; a dead one gives null."""

    def read(branch: Any) -> Any:
        if isinstance(branch, Probe):
            return branch.read()
        return {key: read(inner) for key, inner in branch.items()}

    return lambda: json.dumps(read(tree))


def senml_pack(base_name: str, records: dict[str, tuple[Probe, str]]) -> Payload:
    """SenML (RFC 8428) without a time, which means now; `records` give probe and unit by name.

    A time of its own would have to arrive within seconds, and here seconds are short. A dead
    probe's record is left out; with all of them dead nothing is published.
    """

    def payload() -> str | None:
        pack: list[dict[str, Any]] = [
            {"n": name, "u": unit, "v": value}
            for name, (probe, unit) in records.items()
            if (value := probe.read()) is not None
        ]
        if not pack:
            return None
        pack[0] = {"bn": base_name, **pack[0]}
        return json.dumps(pack)

    return payload


@dataclass(frozen=True)
class Instruments:
    """The probes by the sensor IDs of the demonstration's configuration, and their nodes."""

    probes: dict[str, Probe]
    nodes: Nodes


def instrument(cabinet: Cabinet, seed: int) -> Instruments:
    """Fit the cabinet with probes: thermometers, plugs with a power meter, a fan's tachometer."""
    nas, switch = cabinet.devices["nas"], cabinet.devices["switch"]
    ups, amplifier = cabinet.devices["ups"], cabinet.devices["amplifier"]
    # By sensor: the truth, the noise (one sigma), the step of the converter.
    fitted: dict[str, tuple[Callable[[], float], float, float]] = {
        "hall-air": (lambda: cabinet.hall_c, 0.05, 0.1),
        "cabinet-air": (lambda: cabinet.air_c, 0.05, 0.0625),
        "nas-air": (lambda: nas.part_c, 0.1, 0.1),
        "nas-power": (lambda: nas.power_w, 0.1, 0.1),
        "nas-fan": (lambda: nas.fan_rpm, 2.0, 30.0),
        "switch-air": (lambda: switch.part_c, 0.1, 0.0625),
        "switch-power": (lambda: switch.power_w, 0.1, 0.1),
        "ups-air": (lambda: ups.part_c, 0.1, 0.5),
        "ups-power": (lambda: ups.power_w, 0.1, 0.1),
        "amplifier-air": (lambda: amplifier.part_c, 0.1, 0.1),
        "amplifier-power": (lambda: amplifier.power_w, 0.2, 0.1),
    }
    probes = {
        name: Probe(truth, noise=noise, resolution=step, seed=seed + number)
        for number, (name, (truth, noise, step)) in enumerate(fitted.items())
    }
    nodes: Nodes = {
        "hall": {"house/hall": json_object({"temperature": probes["hall-air"]})},
        "cabinet": {"house/cabinet/air": bare_number(probes["cabinet-air"])},
        "nas": {
            "house/cabinet/nas": json_object(
                {
                    "temperature": probes["nas-air"],
                    "fan": {"rpm": probes["nas-fan"]},
                    "plug": {"power": probes["nas-power"]},
                }
            )
        },
        "switch": {
            "house/cabinet/switch/temperature": bare_number(probes["switch-air"]),
            "house/cabinet/switch/power": bare_number(probes["switch-power"]),
        },
        "ups": {
            "house/cabinet/ups": senml_pack(
                "ups/",
                {"temperature": (probes["ups-air"], "Cel"), "power": (probes["ups-power"], "W")},
            )
        },
        "amplifier": {
            "house/cabinet/amplifier": json_object(
                {"temperature": probes["amplifier-air"], "power": probes["amplifier-power"]}
            )
        },
    }
    return Instruments(probes, nodes)
