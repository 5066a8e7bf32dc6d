"""Incidents on the wire: what a cabinet does is few mails, one thread each, true when read."""

import json
import re
from collections.abc import Callable

import pytest

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.text import plain
from tests.service.mails import part
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, Site
from tests.service.watching import cabinetwatch, wait_until, watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker
from tests.support.fahrenheit import in_fahrenheit
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

FAN = "cabinet/nas/fan"
INCIDENT = "cabinetwatch/incident/"

GEAR = """
[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"

[sensors.nas-air]
topic = "cabinet/nas/temperature"
quantity = "temperature"

[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "hall"
fan = "nas-fan"
min_fan_rpm = 900.0
derating = [[50.0, 1.0], [70.0, 0.5]]

# What is here made to jump says nothing of where a device is heading.
[alarms.cooling-loss]
enabled = false
[alarms.derating-forecast]
enabled = false
[alarms.hot-day]
enabled = false
"""
CALM = {HALL: 22.0, NAS: 36.0, FAN: 1400.0}
OTHERS = {f"cabinet/{name}/temperature": 30.0 for name in ("ups", "switch", "amplifier", "router")}
FIVE = GEAR + "".join(
    f"""
[sensors.{topic.split("/")[1]}-air]
topic = "{topic}"
quantity = "temperature"

[devices.{topic.split("/")[1]}]
temperature = "{topic.split("/")[1]}-air"
ambient = "hall"
"""
    for topic in OTHERS
)


@pytest.fixture
def geared(site: Site) -> Site:
    """The cabinet with a NAS that has a fan."""
    site.tables = GEAR
    return site


class Weather(Nodes):
    """The air of the hall never reads quite the same twice, as of a sensor that is well."""

    def round(self) -> None:
        if HALL in self.values:
            self.values[HALL] = 22.1 if self.values[HALL] == 22.0 else 22.0
        super().round()


def begun(
    site: Site, cabinet: Wire, daemon: Daemon, clock: HandClock, values: dict[str, float] = CALM
) -> Nodes:
    """Let the nodes publish for a while; all is well."""
    cabinet.wait_online()
    nodes = Weather(cabinet, daemon, clock, dict(values))
    nodes.live(120)
    return nodes


def climb(nodes: Nodes, to: float) -> None:
    """Let the air of the NAS go to a temperature, a kelvin a round."""
    while nodes.values[NAS] != to:
        nodes.values[NAS] += 1.0 if to > nodes.values[NAS] else -1.0
        nodes.round()


def live_until_mailed(nodes: Nodes, smtp: MailDrop, count: int) -> None:
    """Let the nodes publish until so many mails have come."""
    nodes.live_until(lambda: len(smtp.messages) >= count, f"mail {count}")


def subjects(smtp: MailDrop) -> list[str]:
    """Give what the mails are called."""
    return [str(each.message["Subject"]).partition(" - ")[0] for each in smtp.messages]


def is_one_thread(smtp: MailDrop) -> bool:
    """Whether every mail answers the first."""
    first, *later = (each.message for each in smtp.messages)
    root = first["Message-ID"]
    headers = ("In-Reply-To", "References")
    return first["References"] is None and all(m[h] == root for m in later for h in headers)


def published(broker: Broker) -> dict[str, dict[str, object]]:
    """Give the accounts that the broker keeps, by incident."""
    kept = retained(broker.port).items()
    return {topic.removeprefix(INCIDENT): m.data for topic, m in kept if topic.startswith(INCIDENT)}


def live_until_published(
    nodes: Nodes, broker: Broker, **said: str
) -> tuple[str, dict[str, object]]:
    """Let the nodes publish until the broker keeps one account that says so; give it, by its ID."""
    kept: dict[str, dict[str, object]] = {}

    def is_one() -> bool:
        nonlocal kept
        kept = published(broker)
        return len(kept) == 1 and all(said.items() <= each.items() for each in kept.values())

    nodes.live_until(is_one, f"one account with {said}")
    (found,) = kept.items()
    return found


def test_a_fan_that_stalls_is_three_mails_in_one_thread_and_one_retained_account(
    geared: Site, cabinet: Wire, smtp: MailDrop, broker: Broker, clock: HandClock
) -> None:
    with watching(geared.config(), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        nodes.values[FAN] = 300.0
        live_until_mailed(nodes, smtp, 1)
        slow, above = "NAS: fan slow or stopped", "NAS: above its derating threshold"
        incident, account = live_until_published(nodes, broker, headline=slow)
        climb(nodes, 55.0)
        live_until_mailed(nodes, smtp, 2)
        same, worse = live_until_published(nodes, broker, headline=above)
        nodes.values[FAN] = 1400.0
        climb(nodes, 36.0)
        live_until_mailed(nodes, smtp, 3)
        nodes.live_until(lambda: not published(broker), "the account to be taken back")
        nodes.live(300)
    assert subjects(smtp) == [
        "[High] NAS: fan slow or stopped",
        "[High, worse] NAS: above its derating threshold",
        "[Over] NAS: fan running again",
    ]
    assert is_one_thread(smtp)
    first = next(each for each in cabinet.transitions() if each["condition"] == "fan-slow")
    assert incident == same == first["id"]
    assert account["since"] == worse["since"]
    told = part(smtp.messages[1].message, "plain")
    assert str(worse["headline"]) in told
    assert f"cabinetwatch ack {incident}" in told


def test_a_watch_in_fahrenheit_mails_it_and_publishes_the_same_figures_as_ever(
    geared: Site, cabinet: Wire, smtp: MailDrop, broker: Broker, clock: HandClock
) -> None:
    with watching(in_fahrenheit(geared.config()), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        nodes.values[FAN] = 300.0
        live_until_mailed(nodes, smtp, 1)
        _, account = live_until_published(nodes, broker)
    told = plain(part(smtp.messages[0].message, "plain"))
    # 36 degC, and 14 K below the threshold of 50.
    assert re.search(r"Air leaving it +96\.8 °F", told)
    assert re.search(r"Margin now +25\.2 °F", told)
    assert not re.search(r"°C|\d K\b", told)
    figures = account["figures"]
    assert isinstance(figures, list)
    assert {"name": "Air leaving it", "value": 36.0, "unit": "Cel"} in figures
    assert {"name": "Margin now", "value": 14.0, "unit": "K"} in figures


def test_a_sensor_that_five_devices_share_is_one_mail_and_one_end(
    site: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    site.tables = FIVE
    with watching(site.config(), clock) as daemon:
        nodes = begun(site, cabinet, daemon, clock, CALM | OTHERS)
        del nodes.values[HALL]
        live_until_mailed(nodes, smtp, 1)
        nodes.live(300)
        nodes.values[HALL] = 22.0
        live_until_mailed(nodes, smtp, 2)
        nodes.live(300)
    assert [subject.partition("]")[0] for subject in subjects(smtp)] == ["[High", "[Over"]
    assert is_one_thread(smtp)
    raised = [each for each in cabinet.transitions() if each["state"] == "unacknowledged"]
    assert len(raised) == 5


def test_an_hour_without_the_broker_is_one_mail_and_one_end(
    geared: Site, smtp: MailDrop, broker: Broker, clock: HandClock
) -> None:
    with watching(geared.config(), clock) as daemon:
        wait_until(lambda: daemon.connected, "the connection")
        clock.let_pass(60)
        broker.stop()
        wait_until(lambda: not daemon.connected, "the loss")
        until_mailed(smtp, clock, 1, 20.0)
        clock.let_pass(3000)
        broker.start()
        wait_until(lambda: daemon.connected, "the connection")
        until_mailed(smtp, clock, 2, 20.0)
    assert subjects(smtp) == [
        "[High] The watch is cut off from its broker",
        "[Over] The watch is connected to its broker again",
    ]
    assert is_one_thread(smtp)


def until_mailed(smtp: MailDrop, clock: HandClock, count: int, every_s: float) -> None:
    """Let time pass until so many mails have come."""

    def mailed() -> bool:
        clock.let_pass(every_s / 20)
        return len(smtp.messages) >= count

    wait_until(mailed, f"mail {count}")


def test_what_is_told_again_shows_the_figures_of_then(
    geared: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    geared.notify = "repeat_s = 600"
    with watching(geared.config(), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        climb(nodes, 55.0)
        live_until_mailed(nodes, smtp, 1)
        climb(nodes, 61.0)
        live_until_mailed(nodes, smtp, 2)
    assert subjects(smtp) == [
        "[High] NAS: above its derating threshold",
        "[High, still on] NAS: above its derating threshold",
    ]
    assert is_one_thread(smtp)
    then = part(smtp.messages[1].message, "plain")
    assert "61.0 °C" in then.partition("As of")[0]
    assert "55.0" not in then.partition("As of")[0]


@pytest.mark.parametrize("cools_down", [False, True])
def test_a_mail_that_waited_for_its_server_tells_how_it_is_by_then(
    geared: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock, cools_down: bool
) -> None:
    smtp.stop()
    with watching(geared.config(), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        climb(nodes, 55.0)
        nodes.live(180)
        climb(nodes, 36.0 if cools_down else 61.0)
        nodes.live(300)
        if cools_down:
            nodes.live_until(lambda: "over-derating" in told(cabinet, "returned")(), "its end")
        smtp.start()
        nodes.live_until(lambda: bool(smtp.messages), "the mail")
        nodes.live(300)
    about_heat = [each for each in smtp.messages if "NAS" in str(each.message["Subject"])]
    words = [part(each.message, "plain").partition("As of")[0] for each in about_heat]
    assert words
    for said in words:
        assert "55.0" not in said
        assert ("[Over]" in said) is cools_down
        assert ("61.0 °C" in said) is not cools_down


@pytest.mark.parametrize("way", ["incident", "device", "all", "mqtt"])
def test_one_word_acknowledges_the_whole_incident(
    geared: Site, cabinet: Wire, smtp: MailDrop, broker: Broker, clock: HandClock, way: str
) -> None:
    geared.commands = True
    with watching(geared.config(), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        nodes.values[FAN] = 300.0
        climb(nodes, 55.0)
        live_until_mailed(nodes, smtp, 2)
        incident, _ = live_until_published(nodes, broker)
        if way == "mqtt":
            command = {"command": "ack", "id": incident, "by": "hall panel"}
            cabinet.publish("cabinetwatch/command", json.dumps(command))
        else:
            named = {"incident": incident, "device": "nas", "all": "--all"}[way]
            clock.go_on()
            assert cabinetwatch(geared.path, "ack", named).returncode == 0
            clock.stand_still()
        acknowledged = told(cabinet, "acknowledged")
        nodes.live_until(lambda: len(acknowledged()) == 2, "both to be acknowledged")
        _, account = live_until_published(nodes, broker, state="acknowledged")
    assert acknowledged() == {"fan-slow", "over-derating"}
    assert account["acknowledged_by"]
    assert len(smtp.messages) == 2


def told(cabinet: Wire, state: str) -> Callable[[], set[str]]:
    """Give what tells which conditions have been told to be in a state."""
    return lambda: {e["condition"] for e in cabinet.transitions() if e.get("state") == state}


def test_an_account_that_a_killed_watch_left_behind_is_taken_back_by_the_next(
    geared: Site, cabinet: Wire, smtp: MailDrop, broker: Broker, clock: HandClock
) -> None:
    with watching(geared.config(), clock) as daemon:
        nodes = begun(geared, cabinet, daemon, clock)
        climb(nodes, 55.0)
        live_until_mailed(nodes, smtp, 1)
        incident, account = live_until_published(nodes, broker)
        climb(nodes, 36.0)
        live_until_mailed(nodes, smtp, 2)
        over = part(smtp.messages[1].message, "plain")
        assert over.startswith("[Over]")
        status = json.loads(cabinetwatch(geared.path, "status", "--json").stdout)
        assert [(each["id"], each["state"]) for each in status["incidents"]] == [(incident, "over")]
    # As if it had been killed before it could take it back.
    cabinet.publish(INCIDENT + incident, json.dumps(account), retain=True)
    came = cabinet.mark()
    with watching(geared.config(), clock):
        cabinet.wait_for(
            lambda each: each.topic == INCIDENT + incident and not each.payload,
            "the account to be taken back",
            after=came,
        )
    assert published(broker) == {}
    assert len(smtp.messages) == 2
