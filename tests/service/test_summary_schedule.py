"""The real scheduler library with a clock that is moved: it ticks on, and never runs away."""

import threading
import time as real_time
from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise
from statistics import median

import apscheduler.schedulers.base as library
import pytest

from cabinetwatch.service.delivery_loop import Ticker
from tests.service.watching import wait_until

YEARS = timedelta(days=56 * 365)
EVERY_S = 0.05


class Moved:
    """What the library takes for the wall clock."""

    def __init__(self) -> None:
        self.by = timedelta(0)

    def now(self, zone: tzinfo | None = None) -> datetime:
        return datetime.now(zone) + self.by


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Moved:
    """The library's clock, and the ticker's, to be moved by hand."""
    moved = Moved()

    class MovedDatetime(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "MovedDatetime":
            there = moved.now(tz)
            return cls.fromtimestamp(there.timestamp(), tz)

    monkeypatch.setattr(library, "datetime", MovedDatetime)
    monkeypatch.setattr("cabinetwatch.service.delivery_loop.datetime", MovedDatetime)
    return moved


class Count:
    """Counts the ticks, and when they came (monotonic)."""

    def __init__(self) -> None:
        self.at: list[float] = []

    def __call__(self) -> None:
        self.at.append(real_time.monotonic())

    def more(self, count: int) -> None:
        """Wait for so many more ticks."""
        wanted = len(self.at) + count
        wait_until(lambda: len(self.at) >= wanted, f"{wanted} ticks")


@pytest.fixture
def count() -> Count:
    return Count()


@pytest.fixture
def ticker(count: Count, clock: Moved) -> Iterator[Ticker]:
    made = Ticker(count, EVERY_S)
    made.start()
    yield made
    made.stop()


@pytest.mark.parametrize("told", [True, False], ids=["told", "unnoticed"])
def test_a_jump_of_decades_ahead_brings_one_tick_and_then_the_usual_ones(
    told: bool, ticker: Ticker, count: Count, clock: Moved
) -> None:
    count.more(2)
    clock.by = YEARS
    if told:
        ticker.clock_stepped()
    before = len(count.at)
    count.more(10)
    # With a run for every one that was missed there would be a thousand million, without a pause:
    # so the library's own interval has it.
    times = count.at[before + 1 :]
    assert median(after - before for before, after in pairwise(times)) > EVERY_S / 2


def test_a_jump_back_of_decades_does_not_stop_the_ticks(
    ticker: Ticker, count: Count, clock: Moved
) -> None:
    count.more(2)
    clock.by = -YEARS
    ticker.clock_stepped()
    count.more(5)


def test_no_tick_comes_after_the_end_and_ending_twice_is_no_fault(
    ticker: Ticker, count: Count
) -> None:
    count.more(1)
    ticker.stop()
    ticked = len(count.at)
    ticker.stop()
    ticker.clock_stepped()
    threading.Event().wait(4 * EVERY_S)
    assert len(count.at) == ticked
