"""Hostile messages between sound readings, and then a fan stops: it is told as it would be.

The house is simulated (exponential approach, figures invented); broker, session, engine and store
are the real ones, on a clock that goes on once the watch has heard a round.
"""

import json
import random
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.watch.engine import Engine
from tests.service.payloads import hostile
from tests.service.site import Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock

START_MS = 1_780_000_000_000
TAU_S = 600.0
EVERY_S = 30.0
SETTLING_ROUNDS = round(TAU_S / EVERY_S)
CALM_ROUNDS = round(TAU_S / EVERY_S)
"""One time constant of the devices: no longer may what was said before be felt."""
MOST_ROUNDS = 140
RESOLUTION_S = 2 * EVERY_S
"""A round for when the alarm is told, and one for what is judged by steps as long as a round."""
AWAKE_MB = 80.0
"""Generous: what the store's and the broker's buffers, and a test's own lists, may take."""

# A device each whose normal rise is given, learnt, and not known at all.
TABLES = """
[sensors.hall]
topic = "house/hall"
quantity = "temperature"
[sensors.nas-air]
topic = "cabinet/nas/air"
quantity = "temperature"
[sensors.nas-power]
topic = "cabinet/nas/power"
pointer = "/w"
quantity = "power"
[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"
[sensors.switch-air]
topic = "cabinet/switch"
senml_name = "t"
quantity = "temperature"
[sensors.fresh-air]
topic = "cabinet/fresh"
pointer = "/w"
quantity = "temperature"
[sensors.damp]
topic = "house/damp"
quantity = "humidity"

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "hall"
power = "nas-power"
fan = "nas-fan"
min_fan_rpm = 300.0
rated_power_w = 80.0
derating = [[60.0, 1.0], [75.0, 0.5]]
normal_rise_k = 10.0
normal_power_w = 40.0
time_constant_s = 600.0
[devices.switch]
name = "PoE switch"
temperature = "switch-air"
ambient = "hall"
[devices.fresh]
name = "UPS"
temperature = "fresh-air"
ambient = "hall"
max_rise_k = 10.0
""".replace("quantity", f"interval_s = {EVERY_S}\nquantity")
SOUND = {"nas-air": 10.0, "switch-air": 8.0, "fresh-air": 6.0}
"""The rises in order (K)."""
WANTED = {"nas": "cooling-loss", "switch": "cooling-loss", "fresh": "over-rise"}
"""What a stalled fan must be told by: of a device of which nothing is known, by its setpoint."""


class House:
    """What its nodes measure, round by round, and how they say it."""

    def __init__(self, seed: int) -> None:
        self._noise = random.Random(seed)
        self.rises = dict(SOUND)
        self.stalled: set[str] = set()

    def payloads(self) -> dict[str, str]:
        """Let a round go by; give what is published by topic."""
        for name, sound in SOUND.items():
            goal = 2.5 * sound if name in self.stalled else sound
            self.rises[name] += (goal - self.rises[name]) * EVERY_S / TAU_S
        air = {name: self._near(22.0 + rise) for name, rise in self.rises.items()}
        return {
            "house/hall": f"{self._near(22.0):.2f}",
            "cabinet/nas/air": f"{air['nas-air']:.2f}",
            "cabinet/nas/power": json.dumps({"w": round(40.0 + self._noise.gauss(0, 0.2), 2)}),
            "cabinet/nas/fan": f"{self._noise.gauss(1200, 10):.0f}",
            "cabinet/switch": json.dumps([{"n": "t", "v": round(air["switch-air"], 2)}]),
            "cabinet/fresh": json.dumps({"w": round(air["fresh-air"], 2)}),
            "house/damp": f"{self._near(45.0):.2f}",
        }

    def _near(self, value: float) -> float:
        return value + self._noise.gauss(0.0, 0.03)


def wild(count: int, seed: int) -> Iterator[bytes]:
    """Give so many payloads: values of any size in every form, and what is no value at all."""
    source = random.Random(seed)
    broken = hostile(count, seed)
    for _ in range(count):
        kind = source.randrange(4)
        if kind == 0:
            payload = next(broken)
            # The largest of them are for one test alone: the broker's buffers are not on trial.
            yield payload if len(payload) < 20_000 else payload[:20_000]
            continue
        value: object = source.choice(
            [
                10.0 ** source.uniform(-320, 308),
                -(10.0 ** source.uniform(-320, 308)),
                source.uniform(-60, 200),
                source.uniform(-5000, 5000),
                float("nan"),
                float("inf"),
                -0.0,
                source.randrange(-(10**30), 10**30),
                True,
                None,
                "22",
                [1, [2, [3]]],
                {"w": {"w": {"w": 1}}},
            ]
        )
        text = json.dumps(value)
        yield [text, f'{{"w": {text}}}', f'[{{"n": "t", "v": {text}}}]'][kind - 1].encode()


def teach(site: Site) -> dict[str, object]:
    """Give the observer of a switch that has learnt for some days."""
    observer = DeviceObserver(Engine(site.config()).model.devices["switch"].settings)
    noise = random.Random(5)
    for count in range(8 * 288):
        t = START_MS - 9 * 86_400_000 + count * 300_000
        hall_c = 22.0 + noise.gauss(0.0, 0.03)
        observer.update(t, hall_c + SOUND["switch-air"] + noise.gauss(0.0, 0.03), hall_c, None)
    assert observer.learning.stage in {"provisional", "frozen"}
    return observer.save()


def lived(
    site: Site, cabinet: Wire, taught: object, payloads: list[bytes], rounds: int
) -> dict[str, float]:
    """Live through so much that is hostile and a calm time constant; then every fan stops.

    Returns:
        After how many seconds of the watch's time each device's alarm was told.
    """
    clock = HandClock(START_MS)
    heard = len(cabinet.messages)
    house, names = House(seed=3), {}
    with watching(site.config(), clock) as daemon:
        names = {sensor.topic: name for name, sensor in daemon.config.sensors.items()}
        cabinet.wait_online(after=heard)
        clock.stand_still()
        with site.store() as store:
            row = store.put_command({"command": "learn", "device": "switch", "observer": taught}, 0)
            wait_until(lambda: store.command_result(row) is not None or _tick(clock), "the lesson")
            assert (store.command_result(row) or {})["ok"] is True
        topics, rest = sorted(names), iter(payloads)
        for number in range(SETTLING_ROUNDS + rounds + CALM_ROUNDS):
            if number >= SETTLING_ROUNDS:
                # One to each sensor between two sound readings: what is said twice is no lone
                # value, and nobody could tell it from the truth.
                waits = [cabinet.send(*each) for each in zip(topics, rest, strict=False)]
                for wait in waits:
                    wait()
            _round(daemon, cabinet, clock, house, names)
        house.stalled = set(SOUND)
        stalled_t = daemon.watch.now_ms()
        alarms = [f"{device}/{condition}" for device, condition in WANTED.items()]
        for _ in range(MOST_ROUNDS):
            _round(daemon, cabinet, clock, house, names)
            engine = daemon._engine_loop._engine
            if all(engine.alarms[key].active for key in alarms):
                break
        since = {key: daemon._engine_loop._engine.alarms[key].active for key in alarms}
        assert all(since.values()), since
    with site.store() as store:
        told = [
            each
            for each in store.transitions()
            if each.condition == WANTED.get(each.subject) and each.t > stalled_t
            if each.state in {"unacknowledged", "suppressed"}
        ]
    first: dict[str, float] = {}
    for each in told:
        first.setdefault(each.subject, (each.t - stalled_t) / 1000.0)
    return first


def _tick(clock: HandClock) -> bool:
    clock.let_pass(0.5)
    return False


def _round(
    daemon: Daemon, cabinet: Wire, clock: HandClock, house: House, names: dict[str, str]
) -> None:
    t = daemon.watch.now_ms()
    for topic, payload in house.payloads().items():
        cabinet.send(topic, payload)

    def heard() -> bool:
        house = daemon._engine_loop._engine.model
        resting = house.site.refusals.rests
        return all(
            name in resting or (house.sensors[name].last_live_t or 0) >= t
            for name in names.values()
        )

    # Each hears in order, so what was sent before has been dealt with by then, too.
    marker = len(cabinet.messages)
    cabinet.publish("cabinetwatch/round", b"")
    cabinet.wait_for(lambda each: each.topic == "cabinetwatch/round", "the round", after=marker)
    wait_until(heard, "the watch to hear the round")
    inbox = daemon._engine_loop._inbox
    wait_until(lambda: inbox._arrived.empty() and not inbox._queues, "nothing to wait")
    clock.let_pass(EVERY_S)


@pytest.mark.parametrize("count", [210, pytest.param(10_000, marks=pytest.mark.long)])
def test_after_so_many_hostile_messages_a_stalled_fan_is_told_as_soon_as_without(
    site: Site, cabinet: Wire, tmp_path: Path, count: int
) -> None:
    site.tables, site.mail_port = TABLES, None
    taught = teach(site)
    other = Site(tmp_path / "other", site.mqtt_port, tables=TABLES)
    rounds = -(-count // TABLES.count("topic = "))
    calm = lived(other, cabinet, taught, [], rounds)
    print(f"calm {calm}")
    before_mb = psutil.Process().memory_info().rss / 1e6
    hit = lived(site, cabinet, taught, list(wild(count, seed=11)), rounds)
    grown_mb = psutil.Process().memory_info().rss / 1e6 - before_mb
    print(f"calm {calm}, hit {hit}, grown by {grown_mb:.1f} MB")

    assert calm.keys() == WANTED.keys()
    assert grown_mb < AWAKE_MB
    assert hit.keys() == calm.keys()
    for device, seconds in calm.items():
        assert abs(hit[device] - seconds) <= 0.1 * seconds + RESOLUTION_S, (device, calm, hit)
