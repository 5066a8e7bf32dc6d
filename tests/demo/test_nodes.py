"""The probes and sensor nodes: noise, steps, payload styles, death of a probe, real messages."""

import json
import statistics
import threading

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.clock import RatedClock
from cabinetwatch.demo.cabinet import (
    Probe,
    SensorNodes,
    bare_number,
    instrument,
    json_object,
    senml_pack,
    under_stairs,
)
from cabinetwatch.demo.servers import EmbeddedBroker
from tests.support.leaving import leave
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port


def steady_probe(value: float, noise: float = 0.0, resolution: float = 0.1) -> Probe:
    """A probe of a constant."""
    return Probe(lambda: value, noise=noise, resolution=resolution, seed=5)


def test_a_probe_reads_in_steps_of_its_resolution_around_the_truth() -> None:
    probe = steady_probe(21.3, noise=0.2, resolution=0.0625)
    readings = [value for _ in range(2000) if (value := probe.read()) is not None]

    assert len(readings) == 2000
    assert all((value / 0.0625).is_integer() for value in readings)
    assert statistics.mean(readings) == pytest.approx(21.3, abs=0.03)
    assert statistics.stdev(readings) == pytest.approx(0.2, rel=0.1)


def test_a_dead_probe_gives_nothing_in_any_style() -> None:
    probe = steady_probe(21.3)
    other = steady_probe(4.0)
    probe.dead = True

    assert bare_number(probe)() is None
    assert json_object({"t": probe, "plug": {"w": other}})() == '{"t": null, "plug": {"w": 4.0}}'
    assert senml_pack("x/", {"t": (probe, "Cel")})() is None
    alive = json.loads(senml_pack("x/", {"t": (probe, "Cel"), "w": (other, "W")})() or "")
    assert alive == [{"bn": "x/", "n": "w", "u": "W", "v": 4.0}]


def test_the_nodes_publish_every_probe_with_qos_1_and_live_by_the_clock() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    instruments = instrument(cabinet, seed=3)
    topics = {topic for node in instruments.nodes.values() for topic in node}
    heard: dict[str, int] = {}
    complete, subscribed = threading.Event(), threading.Event()

    def note(client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        del client, data
        heard[message.topic] = message.qos
        if heard.keys() >= topics:
            complete.set()

    with EmbeddedBroker() as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set("test")
        client.on_message = note
        client.on_subscribe = lambda *_: subscribed.set()
        client.connect(broker.host, broker.port)
        client.subscribe("house/#", qos=1)
        client.loop_start()
        assert subscribed.wait(WITHIN_S)
        clock = RatedClock(200.0, 1_700_000_000_000)
        with SensorNodes(
            cabinet, instruments.nodes, clock=clock, host=broker.host, port=broker.port
        ) as nodes:
            assert complete.wait(WITHIN_S)
            nodes.check()
            with nodes.touching() as touched:
                touched.door_open = True
        leave(client)

    assert set(heard.values()) == {1}
    assert cabinet.elapsed_s > 0


def test_nodes_say_so_when_there_is_no_broker() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    nodes = SensorNodes(
        cabinet,
        instrument(cabinet, seed=3).nodes,
        clock=RatedClock(30.0, 0),
        host="127.0.0.1",
        port=free_port(),
    )
    with pytest.raises(ConnectionRefusedError), nodes:
        pass


def test_what_ends_the_nodes_thread_is_raised_in_its_owner(monkeypatch: pytest.MonkeyPatch) -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    broken = threading.Event()

    def fail(seconds: float) -> None:
        broken.set()
        raise RuntimeError(f"the world broke after {seconds >= 0}")

    monkeypatch.setattr(cabinet, "advance", fail)
    with (
        EmbeddedBroker() as broker,
        pytest.raises(RuntimeError, match="the world broke"),
        SensorNodes(
            cabinet,
            instrument(cabinet, seed=3).nodes,
            clock=RatedClock(30.0, 0),
            host=broker.host,
            port=broker.port,
        ),
    ):
        assert broken.wait(WITHIN_S)
