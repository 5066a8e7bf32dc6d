"""A wall clock that is wrong, and is put right, bends no order, no delay and no alarm."""

from collections.abc import Iterator

import pytest

from cabinetwatch.text import to_datetime
from cabinetwatch.watch.events import Transition
from tests.faults.watched import TABLES, drive_over_threshold
from tests.service.day import START_MS, DrivenWatch
from tests.service.site import HALL, NAS, Site
from tests.service.watching import wait_until
from tests.service.wire import Wire

HOUR_MS = 3_600_000


@pytest.fixture
def watches() -> Iterator[list[DrivenWatch]]:
    """The watches that a test has started; ended with it."""
    started: list[DrivenWatch] = []
    yield started
    for watch in started:
        watch.kill()


def transitions(site: Site) -> list[Transition]:
    with site.store() as store:
        return store.transitions()


def steps(site: Site) -> list[float]:
    """The steps of the clock that were told (s)."""
    told = [each for each in transitions(site) if each.condition == "clock-step"]
    return [each.values["step_s"] for each in told if each.is_raise]


@pytest.mark.parametrize("step_ms", [HOUR_MS, -HOUR_MS])
def test_a_clock_stepped_by_an_hour_is_told_and_changes_nothing_else(
    step_ms: int, site: Site, cabinet: Wire, watches: list[DrivenWatch]
) -> None:
    site.tables = TABLES
    watches.append(DrivenWatch(site.write(), START_MS))
    cabinet.wait_online()
    cabinet.publish(HALL, "21")
    drive_over_threshold(cabinet)
    watches[0].say("run")
    watches[0].say(f"step {step_ms}")
    wait_until(lambda: len(steps(site)) == 1, "the step to be told")
    drive_over_threshold(cabinet)
    watches[0].say("")
    watches.pop().stop()

    assert abs(steps(site)[0] * 1000 - step_ms) < 2000
    told = transitions(site)
    assert {each.condition for each in told} == {"clock-step", "over-derating"}
    times = [each.t for each in told]
    assert times == sorted(times)
    before, after = (each for each in told if each.is_raise and each.subject == "nas")
    shift_ms = after.utc_ms - after.t - (before.utc_ms - before.t)
    assert abs(shift_ms - step_ms) < 2000


def test_a_watch_that_wakes_in_1970_watches_at_once_and_is_right_once_the_clock_is(
    site: Site, cabinet: Wire, watches: list[DrivenWatch]
) -> None:
    site.tables = TABLES
    watches.append(DrivenWatch(site.write(), 1000))
    cabinet.wait_online()
    cabinet.publish(HALL, "21")
    drive_over_threshold(cabinet)
    watches[0].say("run")
    watches[0].say(f"step {START_MS}")
    wait_until(lambda: len(steps(site)) == 1, "the step to be told")
    year = str(to_datetime(START_MS).year)
    cabinet.wait_for(
        lambda each: each.topic.endswith("/watch") and each.data.get("since", "").startswith(year),
        "the watch to say since when it really runs",
    )
    drive_over_threshold(cabinet)
    cabinet.publish(NAS, "38")
    watches.pop().stop()

    raised = [each for each in transitions(site) if each.is_raise and each.subject == "nas"]
    assert [to_datetime(each.utc_ms).year for each in raised] == [1970, to_datetime(START_MS).year]
    assert {each.condition for each in transitions(site)} == {"clock-step", "over-derating"}
