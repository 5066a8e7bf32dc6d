"""Known truth recovered from simulated trials: those of the benchmark."""

from itertools import product

import pytest

from tests.benchmarks.trials import WANDERS, judge, measure, simulate


def test_intervals_hold_the_truth_though_nobody_measures_a_load_that_wanders() -> None:
    made = simulate(1, 0.03, metered=False, seed=71)
    inside = [told.inside for trial in made for told in judge(*trial)]
    assert len(inside) >= 9
    # Of as many 2 misses of 5 % are luck, more hardly.
    assert inside.count(False) <= 2


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("wander", "metered"), [*product(WANDERS, (False, True))])
def test_intervals_hold_the_truth_for_loads_of_every_wander(wander: float, metered: bool) -> None:
    inside = [told.inside for told in measure(6, wander, metered=metered, seed=302)]
    assert len(inside) >= 90
    assert sum(inside) / len(inside) >= 0.9
