"""A replay gives what was raised live; a kill in mid-alarm loses nothing."""

from collections import Counter
from collections.abc import Iterator

import pytest

from cabinetwatch.store.replay import Replayer
from cabinetwatch.watch.events import EntryKind, Transition
from tests.service.day import Day
from tests.service.site import NAS, Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop


@pytest.fixture
def day(site: Site, cabinet: Wire, broker: Broker, smtp: MailDrop) -> Iterator[Day]:
    """A day that has begun."""
    made = Day(site, cabinet, broker, smtp, seed=11)
    yield made
    made.close()


def essence(transition: Transition) -> tuple[object, ...]:
    """What a replay must give again; the text with its figures as well."""
    return (
        transition.public()["time"],
        transition.subject,
        transition.condition,
        transition.state,
        transition.previous,
        transition.id,
        transition.text,
    )


def live_a_day(day: Day) -> None:
    """All kinds of trouble, at least once each, over a little more than twenty-four hours."""
    day.pass_minutes(60)
    day.heat(20.0, 25, "ack")
    day.pass_minutes(20)
    day.lose("cabinet/nas/temperature", 15)
    # Its alarm has returned, and nobody has acknowledged it yet.
    day.restart(kill=True, nas_air="a-nas")
    day.pass_minutes(20)
    day.lose("house/hall/temperature", 15)
    day.hang(30)
    day.set_clock(5400)
    day.pass_minutes(30)
    day.lose_broker(20)
    day.pass_minutes(20)
    day.lose_mail(20)
    day.heat(20.0, 20, "shelve")
    day.pass_minutes(30)
    day.heat(15.0, 2)
    day.restart(kill=True, away_minutes=90)
    day.pass_minutes(30)
    day.block_store(20)
    day.pass_minutes(20)
    day.heat(25.0, 20, "service-out")
    day.restart(kill=False, switch_high=41.0)
    day.pass_minutes(60)
    day.set_clock(-10_800)
    day.heat(20.0, 10, "shelve", "unshelve")
    day.restart(kill=False, away_minutes=800, switch_high=55.0)
    day.lose("cabinet/switch/pack", 20)
    day.heat(20.0, 8, "ack")
    day.restart(kill=True)
    day.pass_minutes(60)
    day.end()


def live_some_hours(day: Day) -> None:
    """The trouble that a replay might take otherwise: kills, renames, pauses, steps, outages."""
    day.pass_minutes(30)
    day.heat(20.0, 10, "ack")
    day.restart(kill=True, nas_air="a-nas")
    day.pass_minutes(5)
    day.hang(30)
    day.set_clock(5400)
    day.pass_minutes(5)
    day.lose_broker(10)
    day.heat(20.0, 8, "shelve", "unshelve")
    day.restart(kill=False, away_minutes=90, switch_high=41.0)
    day.heat(20.0, 8, "service-out")
    day.set_clock(-3600)
    day.pass_minutes(5)
    day.end()


def assert_replays(site: Site) -> list[tuple[object, ...]]:
    """A replay gives the transitions that were raised live; give those."""
    with site.store() as store:
        live = [essence(each) for each in store.transitions()]
        told = [item for _, item in store.inputs()]
        replayed = [essence(each) for each in Replayer(renames=store.renames()).run(told)]
    assert replayed == live
    return live


def test_a_replay_of_hours_of_trouble_gives_the_transitions_that_were_raised_live(
    day: Day, site: Site
) -> None:
    live_some_hours(day)
    live = assert_replays(site)
    assert {"high", "over-derating", "broker-lost", "clock-step"} <= {each[2] for each in live}
    assert {"acknowledged", "shelved", "out-of-service"} <= {str(each[3]) for each in live}


@pytest.mark.long
def test_a_replay_of_a_day_of_trouble_gives_the_transitions_that_were_raised_live(
    day: Day, site: Site
) -> None:
    live_a_day(day)
    live = assert_replays(site)
    with site.store() as store:
        kinds = Counter(entry.kind for _, entry in store.entries())
        qualities = Counter(reading.quality.name for reading, _ in store.readings())
    assert {each[2] for each in live} == {
        "over-derating",
        "over-rise",
        "fan-slow",
        "high",
        "silent",
        "ambient-lost",
        "broker-lost",
        "store-fault",
        "notice-undelivered",
        "clock-step",
        # What asks where the NAS is heading: out of service, and whatever its leaps amount to.
        "cooling-loss",
        "derating-forecast",
        "drift",
        "hot-day",
        "rise-missing",
    }
    assert {str(each[3]) for each in live} == {
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned",
        "shelved",
        "suppressed",
        "out-of-service",
    }
    # Nothing is sent that could not be judged: that is for test_refused.
    assert set(kinds) == set(EntryKind) - {EntryKind.REFUSED}
    assert {"LIVE", "TIMED", "LATE", "BACKLOG"} <= qualities.keys()


def test_a_delay_that_runs_at_a_kill_is_not_lost(site: Site, cabinet: Wire) -> None:
    site.tables = site.tables.replace("on_delay_s = 0", "on_delay_s = 4")
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.publish(NAS, "55")
        wait_until(lambda: _stored(site) == 1, "the reading to be stored")
        watch.kill()
    with running(site.path) as watch:
        cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        assert watch.stop() == 0

    with site.store() as store:
        (reading, _), (raised,) = next(store.readings()), store.transitions()
    assert raised.t == reading.t + 4000


def test_a_raise_by_the_clock_alone_is_not_told_again_after_a_kill(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    # The delay ends after the last reading: the raise follows from no input of its own. It is the
    # second one, because the first delivery of a channel is an input too.
    site.tables = site.tables.replace("on_delay_s = 0", "on_delay_s = 1")
    with running(site.write()) as watch:
        cabinet.wait_online()
        for value, state in (("55", "unacknowledged"), ("40", "returned")):
            cabinet.publish(NAS, value)
            raised = cabinet.wait_transition("nas", "over-derating", state)
        wait_until(lambda: not _waiting(site), "the notices to be delivered")
        heard = cabinet.mark()
        cabinet.publish(NAS, "55")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
        wait_until(lambda: not _waiting(site), "the notices to be delivered")
        watch.kill()
    heard = cabinet.mark()
    with running(site.path) as watch:
        cabinet.wait_online(after=heard)
        with site.store() as store:
            store.put_command({"command": "ack", "id": raised["id"]}, 0)
        cabinet.wait_transition("nas", "over-derating", "acknowledged")
        assert watch.stop() == 0

    states = [each["state"] for each in cabinet.transitions()]
    assert states == ["unacknowledged", "returned", "unacknowledged", "acknowledged"]
    assert len(smtp.messages) == 3


def test_an_alarm_that_stands_at_a_kill_is_neither_forgotten_nor_raised_again(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        raised = cabinet.heat_nas()
        wait_until(lambda: not _waiting(site), "the notices to be delivered")
        watch.kill()
    heard = cabinet.mark()
    with running(site.path) as watch:
        cabinet.wait_online(after=heard)
        cabinet.publish(NAS, "56")
        cabinet.publish_until(NAS, "40", "nas", "over-derating", "returned")
        assert watch.stop() == 0

    told = cabinet.transitions()
    assert [each["state"] for each in told] == ["unacknowledged", "returned"]
    assert told[1]["id"] == raised["id"]
    assert len(smtp.messages) == 2


def _stored(site: Site) -> int:
    with site.store() as store:
        return sum(1 for _ in store.readings())


def _waiting(site: Site) -> bool:
    with site.store() as store:
        return bool(store.waiting())
