"""The running watch keeps its store in order, a step at a time, and prunes when it is asked."""

import logging
import threading
from typing import Any

import pytest

from cabinetwatch.clock import RatedClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Store as StoreConfig
from cabinetwatch.service import store_loop as housekeeping
from cabinetwatch.service.parts import Frame
from cabinetwatch.service.store_loop import PRUNE_AFTER_MS, ROUND_MS, Housekeeping, StoreLoop
from cabinetwatch.store.codecs import DAY_MS, FigureSampler, Tier
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now, Room
from cabinetwatch.watch.events import Reading
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, Site
from tests.service.watching import cabinetwatch, wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock
from tests.support.patience import WITHIN_S

T0 = 1_780_000_000_000
ALL = (0, 10**14)
KEEPING = Keeping.of(StoreConfig(keep_raw_days=2))


def a_day(store: Store, day: int) -> None:
    readings = [Reading("hall", T0 + day * DAY_MS + n * 60_000, 20.0) for n in range(60)]
    for reading in readings:
        store.commit(Batch(reading.t, 0, [reading], state=b"engine"))


def run_round(house: Housekeeping, t: int) -> list[housekeeping.Answer]:
    """Take steps at one instant until the round is over."""
    while True:
        answers = house.step(Now(t, t))
        house.rest(0, t)
        if answers or house.due_t > t:
            return answers


def test_rounds_follow_the_hours_and_let_nothing_go_in_the_first_hour(store: Store) -> None:
    for day in (0, 5):
        a_day(store, day)
    start = T0 + 6 * DAY_MS
    house = Housekeeping(store, KEEPING, start)
    assert house.step(Now(start, start)) == []
    assert store.buckets("hall", "value", Tier.QUARTERS, *ALL) != []
    times = []
    while house.due_t < start + PRUNE_AFTER_MS:
        times.append(house.due_t)
        run_round(house, house.due_t)
        assert len(list(store.readings())) == 120
    assert times[0] == start + 60_000
    assert [t % ROUND_MS for t in (*times[1:], house.due_t)] == [30_000, 30_000]
    run_round(house, house.due_t)
    assert len(list(store.readings())) == 60


def test_a_step_is_followed_by_rest(store: Store) -> None:
    a_day(store, 0)
    house = Housekeeping(store, KEEPING, T0)
    t = house.due_t
    house.step(Now(t, t))
    house.rest(25, t + 25)
    assert house.due_t == t + 25 + 100


def test_a_thorough_round_is_made_when_asked_and_answers(store: Store) -> None:
    for day in (0, 5):
        a_day(store, day)
    house = Housekeeping(store, KEEPING, T0 + 6 * DAY_MS)
    house.ask(7, T0 + 6 * DAY_MS)
    ((row, answer),) = run_round(house, T0 + 6 * DAY_MS)
    assert (row, answer["ok"]) == (7, True)
    assert answer["text"].startswith("60 rows pruned; the store takes ")
    assert len(list(store.readings())) == 60


def test_a_store_that_fails_gives_the_round_up_says_so_and_tries_again_later(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    house = Housekeeping(store, KEEPING, T0)
    house.ask(7, T0)
    store.close()
    store.path.unlink()
    ((row, answer),) = run_round(house, T0)
    assert (row, answer["ok"]) == (7, False)
    assert str(store.path) in answer["text"]
    assert "upkeep was given up for now" in caplog.text
    assert T0 < house.due_t <= T0 + ROUND_MS + 30_000


def test_a_disk_that_will_soon_be_full_is_told_once_a_day(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    left = 29.0
    monkeypatch.setattr(Store, "room", lambda _: Room(1, 1, 1.0, left, None, None, None))
    house = Housekeeping(store, KEEPING, T0)
    with caplog.at_level(logging.WARNING):
        while house.due_t < T0 + DAY_MS:
            run_round(house, house.due_t)
        assert caplog.text.count("will be full in 29 days") == 1
        while house.due_t < T0 + DAY_MS + 3 * ROUND_MS:
            run_round(house, house.due_t)
        assert caplog.text.count("will be full in 29 days") == 2
        left = 31.0
        while house.due_t < T0 + 2 * DAY_MS + 3 * ROUND_MS:
            run_round(house, house.due_t)
        assert caplog.text.count("will be full") == 2


class TestSampler:
    def test_a_minute_is_told_once_it_is_over(self) -> None:
        sampler = FigureSampler()
        minute = T0 - T0 % 60_000
        for n in range(6):
            figures = {"name": "NAS", "rise_k": 10.0 + n, "off": n > 2, "fan_rpm": None}
            assert sampler.sample(minute + n * 10_000, {"nas": figures}) == []
        (told,) = sampler.sample(minute + 60_000, {"nas": {"rise_k": 1.0}})
        assert told.utc_ms == minute
        assert told.devices == {
            "nas": {"rise_k": (minute, 6, 12.5, 10.0, 15.0), "off": (minute, 6, 0.5, 0.0, 1.0)}
        }
        (rest,) = sampler.rest()
        assert rest.devices == {"nas": {"rise_k": (minute + 60_000, 1, 1.0, 1.0, 1.0)}}
        assert sampler.rest() == []

    def test_a_clock_that_steps_back_begins_a_minute_anew(self) -> None:
        sampler = FigureSampler()
        minute = T0 - T0 % 60_000
        sampler.sample(minute, {"nas": {"rise_k": 1.0}})
        (told,) = sampler.sample(minute - 3_600_000, {"nas": {"rise_k": 2.0}})
        assert (told.utc_ms, told.devices["nas"]["rise_k"].samples) == (minute, 1)


def test_a_store_loop_prunes_for_a_command_and_goes_on_writing_in_between(store: Store) -> None:
    for day in range(4):
        a_day(store, day)
    clock = RatedClock(1.0, T0 + 40 * DAY_MS)
    failures: list[Any] = []
    asked: list[int] = []
    loop = StoreLoop(
        store,
        Frame(
            Config(store=StoreConfig(flush_s=0.001, keep_raw_days=2)),
            WatchTime(clock),
            clock,
            lambda *failure: failures.append(failure),
        ),
        acknowledge=lambda _: None,
        deliver=lambda _: None,
        report=lambda *_: None,
        command=lambda row, _: asked.append(row),
    )
    row = store.put_command({"command": "prune", "by": "somebody"}, T0)
    other = store.put_command({"command": "ack", "id": "x"}, T0)
    with Store.open(f"sqlite:///{store.path}", read_only=True) as onlooker:
        loop.start()
        written = threading.Event()
        now = T0 + 40 * DAY_MS
        loop.put(Batch(now, 0, inputs=[Reading("hall", now, 21.0)], done=[written]))
        assert written.wait(WITHIN_S)
        wait_until(lambda: onlooker.command_result(row) is not None, "the answer")
        loop.stop()
        assert loop.join(WITHIN_S)
        answer = onlooker.command_result(row)
        kept = [reading.t for reading, _ in onlooker.readings()]
    assert failures == []
    assert answer is not None
    assert answer["ok"]
    assert kept[-1] == now
    assert len(kept) <= 2
    assert asked == [other]


def test_figures_of_devices_and_sensors_reach_the_tiers_of_a_running_watch(
    site: Site, cabinet: Wire
) -> None:
    clock = HandClock(T0)
    with watching(site.config(), clock) as daemon, site.store() as store:
        cabinet.wait_online()
        Nodes(cabinet, daemon, clock, {HALL: 22.5, NAS: 30.5}).live(1200)

        def told(subject: str, figure: str) -> bool:
            return store.buckets(subject, figure, Tier.QUARTERS, *ALL) != []

        wait_until(lambda: told("hall", "value") and told("nas", "raw_rise_k"), "the tiers")
        wait_until(lambda: store.room().oldest_minutes_utc_ms is not None, "an upkeep")
        wait_until(lambda: len(list(store.readings("hall"))) == 60, "every reading to be written")
        rise = store.buckets("nas", "raw_rise_k", Tier.QUARTERS, *ALL)
        assert {(each.mean, each.minimum, each.maximum) for each in rise} == {(8.0, 8.0, 8.0)}
        hall = store.buckets("hall", "value", Tier.QUARTERS, *ALL)
        counted = sum(bucket.samples for bucket in hall)
        assert counted == 60
        assert {"temperature_c", "ambient_c", "margin_k", "threshold_c", "off"} <= {
            *store.figures_of("nas")
        }


def test_prune_is_done_by_the_watch_that_runs(site: Site, cabinet: Wire) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(HALL, "22.5")
        with site.store() as store:
            wait_until(lambda: store.sensors() == ["hall"], "the reading to be written")
        done = cabinetwatch(site.path, "prune")
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("No rows pruned; the store takes ")
