"""A phase under way: settled or not, and how long it still takes."""

from dataclasses import replace

import pytest

from cabinetwatch.trial.phases import phase_progress, zero_progress
from tests.trial.examples import BEFORE, SUBJECT, make_phase

COLD_START = replace(BEFORE, rise_k=12.0, from_k=0.0, tau_s=1200.0)


def test_a_phase_that_has_settled_lets_the_next_start() -> None:
    progress = phase_progress(make_phase(replace(COLD_START, length_s=7200.0)), "before", 50.0)
    assert progress.settled
    assert progress.left_s == 0.0
    assert "the next may start" in progress.sentence


@pytest.mark.parametrize("length_s", [1800.0, 2400.0, 3000.0])
def test_it_tells_how_long_it_still_takes(length_s: float) -> None:
    # 5 % of 12 K are missing after 20 min * ln 20 = 59.9 min.
    progress = phase_progress(make_phase(replace(COLD_START, length_s=length_s)), "before", 50.0)
    assert not progress.settled
    assert progress.left_s == pytest.approx(3595.0 - length_s, abs=900.0)
    assert "still to come; about" in progress.sentence


def test_a_phase_of_a_few_readings_says_what_is_wanting() -> None:
    progress = phase_progress(make_phase(replace(COLD_START, length_s=60.0)), "before", 50.0)
    assert not progress.settled
    assert progress.left_s is None
    assert "only 6 readings" in progress.sentence


def test_a_zero_phase_is_settled_once_the_offset_can_be_told() -> None:
    cold = replace(BEFORE, rise_k=0.0, offset_k=0.2, power_w=0.0)
    progress = zero_progress(make_phase(cold), SUBJECT, 0.6)
    assert progress.settled
    assert "+0.20 K" in progress.sentence


def test_a_zero_phase_of_a_device_that_is_still_warm_is_not() -> None:
    cooling = replace(BEFORE, rise_k=0.0, from_k=6.0, power_w=0.0)
    assert not zero_progress(make_phase(cooling), SUBJECT, 0.6).settled
