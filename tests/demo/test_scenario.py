"""The scenario hangs together: what it expects is caused by its acts, and in the past."""

import tomllib
from datetime import UTC, datetime

import pytest

from cabinetwatch.demo import story as scenario
from cabinetwatch.demo.story import WatchMessage, configuration_text
from cabinetwatch.text import from_datetime, to_datetime


def at(text: str) -> int:
    """Milliseconds since 1970 of an instant in UTC."""
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    ("now", "start"),
    [
        ("2026-01-15T12:00", "2026-01-14T19:40"),  # before the evening: the one before
        ("2026-01-15T20:00", "2026-01-14T19:40"),  # amid it: still the one before
        ("2026-01-15T20:13", "2026-01-15T19:40"),  # it has just ended: this one
        ("2026-07-15T19:30", "2026-07-15T18:40"),  # summer time: an hour ahead of UTC
        ("2026-03-29T12:00", "2026-03-28T19:40"),  # the clocks changed in the night between
    ],
)
def test_the_evening_lies_wholly_in_the_past_by_the_household_clock(now: str, start: str) -> None:
    start_ms = scenario.start_utc_ms(at(now))
    assert to_datetime(start_ms) == to_datetime(at(start))
    assert scenario.clock_time(start_ms) == "19:40:00"


def test_acts_follow_one_another_and_leave_time_to_see_what_they_cause() -> None:
    starts = [act.at_s for act in scenario.ACTS]
    assert starts == sorted(starts)
    assert starts[-1] < scenario.END_S <= 80 * scenario.RATE
    for expected in scenario.EXPECTED:
        assert expected.after_s in starts
        assert expected.after_s + 60 < expected.by_s <= scenario.END_S


def test_the_acts_bring_the_nas_over_its_threshold_and_back_in_the_time_that_is_expected() -> None:
    stage = scenario.Stage()
    warmest_c = {}
    for act, until_s in zip(
        scenario.ACTS, [*(act.at_s for act in scenario.ACTS[1:]), scenario.END_S], strict=True
    ):
        act.do(stage)
        stage.cabinet.advance(until_s - stage.cabinet.elapsed_s)
        warmest_c[act.at_s] = stage.cabinet.devices["nas"].part_c

    calm, stalled, freed, _, _ = (warmest_c[act.at_s] for act in scenario.ACTS)
    # 42 W of 80 W rated: 0.525 of full load, which the curve of the demonstration allows up to
    # 40 + 8 * (1 - 0.525) / (1 - 0.5) = 47.6 degC.
    assert calm < 40.0
    assert stalled > 47.6 + 1.0
    assert freed < 47.6 - 3.0


@pytest.mark.parametrize(
    ("at_s", "subject", "condition", "state", "fits"),
    [
        (301.0, "nas", "fan-slow", "unacknowledged", True),
        (299.0, "nas", "fan-slow", "unacknowledged", False),
        (959.0, "nas", "fan-slow", "unacknowledged", True),
        (961.0, "nas", "fan-slow", "unacknowledged", False),
        (400.0, "ups", "fan-slow", "unacknowledged", False),
        (400.0, "nas", "over-rise", "unacknowledged", False),
        (400.0, "nas", "fan-slow", "suppressed", False),
    ],
)
def test_only_the_right_transition_in_time_meets_an_expectation(
    at_s: float, subject: str, condition: str, state: str, fits: bool
) -> None:
    told = WatchMessage("2026-01-15T19:46:40Z", subject, condition, state, "high", "words")
    assert scenario.EXPECTED[0].find([(at_s, told)]) == (told if fits else None)


def test_every_probe_is_a_sensor_of_the_configuration_on_a_topic_that_is_published() -> None:
    stage = scenario.Stage()
    text = configuration_text(broker_host="h", broker_port=1, mail_host="h", mail_port=2)
    sensors = tomllib.loads(text)["sensors"]
    published = {topic for node in stage.instruments.nodes.values() for topic in node}

    assert sensors.keys() == stage.instruments.probes.keys()
    assert {sensor["topic"] for sensor in sensors.values()} == published
