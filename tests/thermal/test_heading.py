"""One likely course: where it is, where it ends, what it is held below."""

import pytest

from cabinetwatch.thermal.derating import Heading

RISING = Heading(1.0, 10.0, ((4.0, 100.0), (2.0, 1000.0)), 0.5, 300.0)


def test_it_is_now_where_its_ways_have_not_brought_it_yet() -> None:
    assert RISING.level_k == pytest.approx(4.0)
    assert RISING.at_k(0.0) == pytest.approx(4.0)
    assert RISING.at_k(1e6) == pytest.approx(10.0)
    # After its time constant 36.8 % of a way is left (first-order response).
    assert RISING.at_k(100.0) == pytest.approx(10.0 - 4.0 * 0.3679 - 2.0 * 0.9048, abs=1e-3)


def test_a_doubt_grows_from_nothing() -> None:
    assert RISING.at_k(0.0, 1.0) == pytest.approx(4.0)
    assert RISING.at_k(1e6, 1.0) == pytest.approx(11.0)


@pytest.mark.parametrize(("top_k", "goal_k"), [(12.0, 10.0), (7.0, 7.0), (2.0, 4.0)])
def test_held_below_a_top_it_starts_where_it_is_and_ends_there(top_k: float, goal_k: float) -> None:
    held = RISING.held_below(top_k)
    assert held.level_k == pytest.approx(4.0)
    assert held.goal_k == pytest.approx(goal_k)


def test_a_way_that_is_doubted_widens_its_end_and_moves_nothing() -> None:
    doubted = RISING.doubted(0.5)
    assert doubted.sd_k == pytest.approx((0.5**2 + 3.0**2) ** 0.5)
    assert (doubted.level_k, doubted.goal_k) == (RISING.level_k, RISING.goal_k)
