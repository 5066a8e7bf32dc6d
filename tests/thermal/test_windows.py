"""Windows, low passes and least squares: when windows close, and that the sums are right."""

import numpy as np
import pytest

from cabinetwatch.thermal.windows import LowPassRow, WindowGatherer, gram, inner, nonnegative


def test_a_low_pass_is_the_textbooks_first_order_response() -> None:
    # 1 - exp(-n) after n time constants, and 1 - exp(-dt/tau) for one step: any textbook.
    row = LowPassRow([1200.0])
    reached = [100.0 * row.advance(1_200_000, 1.0)[0] for _ in range(5)]
    assert reached == pytest.approx([63.2121, 86.4665, 95.0213, 98.1684, 99.3262], abs=1e-4)
    gains = [LowPassRow([1200.0]).advance(1000 * step_s, 1.0)[0] for step_s in (10, 30, 60)]
    assert gains == pytest.approx([0.0082987, 0.0246901, 0.0487706], abs=1e-7)


def test_nonnegative_least_squares_is_scipys() -> None:
    from scipy.optimize import nnls  # noqa: PLC0415 - takes a second

    rng = np.random.default_rng(3)
    for _ in range(20):
        a, b = rng.normal(size=(30, 8)), rng.normal(size=30)
        columns = [list(map(float, a[:, i])) for i in range(8)]
        right = [inner(column, list(map(float, b))) for column in columns]
        assert nonnegative(gram(columns, columns), right) == pytest.approx(nnls(a, b)[0], abs=1e-8)


def test_a_repeated_column_does_no_harm() -> None:
    column = [1.0, 2.0, 3.0]
    x = nonnegative(gram([column, column], [column, column]), [14.0, 14.0])
    assert sum(x) == pytest.approx(1.0)


def test_a_window_closes_at_the_reading_that_completes_it() -> None:
    gatherer = WindowGatherer(expects_power=True)
    gatherer.ambient(0, 20.0)
    gatherer.power(0, 40.0)
    gatherer.temperature(0, 30.0)
    assert gatherer.temperature(10_000, 30.0) is None
    assert gatherer.power(10_000, 40.0) is None
    window = gatherer.ambient(10_000, 22.0)
    assert window is not None
    assert (window.t_ms, window.step_ms) == (10_000, 10_000)
    assert window.ambient_mean_c == pytest.approx(21.0)


def test_fast_readings_are_averaged() -> None:
    gatherer = WindowGatherer(expects_power=False)
    windows = []
    for i in range(12):
        windows.append(gatherer.ambient(i * 1000, 20.0 + i))
        windows.append(gatherer.temperature(i * 1000, 30.0 + (i % 2)))
    closed = [w for w in windows if w is not None]
    assert [w.t_ms for w in closed] == [9000]
    assert closed[0].temperature_c == pytest.approx(30.5)  # readings at 1 to 8 s
    assert closed[0].ambient_mean_c == pytest.approx(24.5)


def test_a_silent_ambient_is_waited_for_only_so_long() -> None:
    gatherer = WindowGatherer(expects_power=False, patience_ms=60_000)
    gatherer.ambient(0, 20.0)
    closed = [t for t in range(0, 200_000, 10_000) if gatherer.temperature(t, 30.0) is not None]
    assert closed == [60_000, 120_000, 180_000]


def test_a_step_of_power_is_dated_between_its_readings() -> None:
    gatherer = WindowGatherer(expects_power=True)
    for t_ms, power_w in ((0, 20.0), (60_000, 40.0)):
        gatherer.ambient(t_ms, 20.0)
        gatherer.power(t_ms, power_w)
        window = gatherer.temperature(t_ms, 30.0)
    assert window is not None
    assert window.power_w == pytest.approx(30.0)
    assert window.last_power_w == 40.0


def test_no_window_closes_without_an_ambient() -> None:
    gatherer = WindowGatherer(expects_power=False, patience_ms=30_000)
    gatherer.ambient(0, 20.0)
    gatherer.temperature(0, 30.0)
    gatherer.forget_ambient()
    assert all(gatherer.temperature(t, 30.0) is None for t in range(10_000, 100_000, 10_000))
    assert gatherer.ambient(100_000, 21.0) is not None


@pytest.mark.parametrize("split", [1, 4, 9])
def test_a_saved_gatherer_goes_on_as_before(split: int) -> None:
    one = WindowGatherer(expects_power=True)
    other = WindowGatherer(expects_power=True)
    for i in range(20):
        for gatherer in (one, other):
            gatherer.ambient(i * 4000, 20.0 + i)
            gatherer.power(i * 4000, 30.0 + i)
        assert one.temperature(i * 4000, 30.0) == other.temperature(i * 4000, 30.0)
        if i == split:
            other = WindowGatherer.load(other.save())
