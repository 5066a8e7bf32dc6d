"""The normal band against power: what a fit says beyond the loads it saw is not believed."""

from dataclasses import replace

import pytest

from cabinetwatch.thermal.response import NormalRise

# As learnt of a device whose fan turns faster the more it draws.
FLAT = NormalRise(
    24.8, 30.0, exponent=0.4, low_exponent=0.4, high_exponent=0.4, offset_k=-10.1,
    guard=0.15, highest_power_w=40.0,
)  # fmt: skip


def test_the_top_of_the_band_is_near_the_law_also_where_its_offset_is_negative() -> None:
    for power_w in (15.0, 20.0, 30.0, 40.0):
        assert FLAT.at(power_w) < FLAT.highest_k(power_w) <= 1.16 * FLAT.at(power_w)


def test_no_load_makes_a_rise_far_below_none() -> None:
    assert FLAT.at(0.0) == -1.0
    assert replace(FLAT, offset_k=-0.4).at(0.0) == pytest.approx(-0.4)
    assert replace(FLAT, offset_k=0.7).at(0.0) == pytest.approx(0.7)
    assert FLAT.highest_k(0.0) >= 0.0


def test_a_load_that_isnt_known_may_be_the_highest_that_was_seen() -> None:
    assert FLAT.highest_k(None) == FLAT.highest_k(40.0)
    unlearnt = NormalRise(12.0, 40.0)
    assert unlearnt.highest_k(None) == pytest.approx(12.0 * 1.2)
