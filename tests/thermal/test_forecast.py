"""The quick bound of a forecast: it passes over no course that reaches the threshold."""

from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.forecast import Heading

degrees = st.floats(-20.0, 90.0)


@given(
    heading=st.builds(
        Heading,
        felt_c=degrees,
        ambient_c=degrees,
        trend_k_per_s=st.floats(-0.01, 0.01),
        load_rise_k=st.floats(0.0, 60.0),
        load_goal_k=st.floats(0.0, 60.0),
        tau_s=st.floats(30.0, 20_000.0),
        doubt_k=st.just(0.0),
    ),
    horizon_s=st.floats(60.0, 20_000.0),
    part=st.floats(0.0, 1.0),
)
def test_no_instant_up_to_the_horizon_is_warmer_than_the_bound(
    heading: Heading, horizon_s: float, part: float
) -> None:
    assert heading.base_c(part * horizon_s) <= heading.highest_c(horizon_s)
