"""The MQTT channel through the real session to a real broker."""

import json
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify import channels
from cabinetwatch.notify.channels import MqttChannel
from cabinetwatch.notify.delivery import Attempt
from cabinetwatch.notify.plan import plan, plan_test
from cabinetwatch.store.records import Notice
from cabinetwatch.watch.events import Transition
from tests.mqtt.support import Ear, session, wait_subscribed
from tests.notify.samples import NOON_MS, make_config, returned, transition
from tests.support.broker import Broker, BrokerFactory

CONFIG = make_config(email=None)
TOPIC = "cabinetwatch/alarm/nas/over-derating"


def channel_of(link: MqttSession) -> MqttChannel:
    return MqttChannel(link, "cabinetwatch")


def notice_of(each: Transition) -> Notice:
    (notice,) = plan([each], CONFIG)
    return notice


def test_a_transition_is_retained_as_json_with_every_public_field(broker: Broker) -> None:
    ear, late = Ear(), Ear()
    raised = transition()
    with session(broker.port, [], ear, client_id="watch") as link:
        ear.wait_up()
        channel = channel_of(link)
        assert channel.send(notice_of(raised), channel.recipients) == Attempt(accepted=("mqtt",))
        with session(broker.port, ["cabinetwatch/#"], late, client_id="late", clean=True):
            (message,) = late.wait_messages(1)
    assert (message.topic, message.retain) == (TOPIC, True)
    assert json.loads(message.payload) == raised.public()
    assert set(json.loads(message.payload)) == {
        "time",
        "id",
        "site",
        "subject",
        "condition",
        "state",
        "previous",
        "priority",
        "text",
        "values",
    }


def test_the_last_transition_is_the_one_retained(broker: Broker) -> None:
    ear, late = Ear(), Ear()
    raised = transition()
    with session(broker.port, [], ear, client_id="watch") as link:
        ear.wait_up()
        channel = channel_of(link)
        for each in (raised, returned(raised)):
            channel.send(notice_of(each), channel.recipients)
        with session(broker.port, ["cabinetwatch/#"], late, client_id="late", clean=True):
            (message,) = late.wait_messages(1)
    assert json.loads(message.payload)["state"] == "returned"


def test_a_test_is_heard_and_leaves_nothing_behind(broker: Broker) -> None:
    listener, late = Ear(), Ear()
    test, *_ = plan_test(CONFIG, NOON_MS, NOON_MS)
    with session(broker.port, ["cabinetwatch/#"], listener, client_id="watch", clean=True) as link:
        listener.wait_up()
        wait_subscribed(link)
        channel = channel_of(link)
        assert channel.send(test, channel.recipients).accepted
        channel.send(notice_of(transition()), channel.recipients)
        first, second = listener.wait_messages(2)
        assert first.topic == "cabinetwatch/alarm/site/test"
        with session(broker.port, ["cabinetwatch/#"], late, client_id="late", clean=True):
            late.wait_messages(1)
    assert [message.topic for message in late.messages] == [second.topic] == [TOPIC]


def test_without_a_broker_it_waits_and_raises_no_alarm_of_its_own(broker: Broker) -> None:
    ear = Ear()
    with session(broker.port, [], ear, client_id="watch") as link:
        ear.wait_up()
        broker.stop()
        ear.wait_down()
        channel = channel_of(link)
        for attempt in (channel.probe(), channel.send(notice_of(transition()), ("mqtt",))):
            assert attempt.unreachable == "there is no connection to the broker"
            assert attempt.told_elsewhere
        broker.start()
        ear.wait_up(2)
        assert channel.send(notice_of(transition()), ("mqtt",)).accepted


def test_a_connection_lost_before_the_confirmation_is_the_brokers_fault(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    ear = Ear()
    with session(broker.port, [], ear, client_id="watch") as link:
        ear.wait_up()
        publish = link.publish

        def publish_and_lose(topic: str, payload: bytes, **options: Any) -> None:
            broker.freeze()
            publish(topic, payload, **options)
            broker.kill()

        monkeypatch.setattr(link, "publish", publish_and_lose)
        attempt = channel_of(link).send(notice_of(transition()), ("mqtt",))
    assert attempt.told_elsewhere
    assert not attempt.accepted


def test_a_broker_that_hangs_is_given_up_in_time(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(channels, "_CONFIRMED_WITHIN_S", 0.2)
    ear = Ear()
    with session(broker.port, [], ear, client_id="watch") as link:
        ear.wait_up()
        broker.freeze()
        channel = channel_of(link)
        attempt = channel.send(notice_of(transition()), ("mqtt",))
        broker.thaw()
    assert attempt.refused["mqtt"].error == f"the broker has not confirmed what is sent to {TOPIC}"
    assert not attempt.refused["mqtt"].permanent


def test_a_broker_that_forbids_the_topic_is_named(mosquitto: BrokerFactory) -> None:
    broker = mosquitto()
    (broker.directory / "acl").write_text("topic read #\n")
    broker.config_lines.append(f"acl_file {broker.directory / 'acl'}")
    broker.restart()
    ear = Ear()
    with session(broker.port, [], ear, client_id="watch", protocol="5") as link:
        ear.wait_up()
        channel = channel_of(link)
        attempt = channel.send(notice_of(transition()), ("mqtt",))
    assert attempt.refused["mqtt"].error == f"the broker does not take what is sent to {TOPIC}"


@pytest.mark.parametrize("answer", [True, False])
def test_an_answer_that_comes_before_publish_returns_counts(answer: bool) -> None:
    def publish(
        topic: str, payload: bytes, *, retain: bool, qos: int, on_done: Callable[[bool], None]
    ) -> None:
        del topic, payload, retain
        assert qos == 1
        on_done(answer)

    link = cast("MqttSession", SimpleNamespace(publish=publish, connected=True))
    attempt = channel_of(link).send(notice_of(transition()), ("mqtt",))
    assert bool(attempt.accepted) is answer
