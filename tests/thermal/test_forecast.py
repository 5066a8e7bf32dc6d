"""The quick bound of a forecast: it passes over no course that reaches the threshold."""

from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.derating import Base, Heading, highest_c

kelvin = st.floats(-30.0, 30.0)
ways = st.lists(st.tuples(kelvin, st.floats(30.0, 20_000.0)), max_size=4).map(tuple)
bases = st.builds(
    Base,
    goal_c=st.floats(-20.0, 90.0),
    ways=ways,
    trend_k_per_s=st.floats(-0.01, 0.01),
    doubt_k=st.floats(0.0, 5.0),
)
headings = st.builds(
    Heading,
    weight=st.just(1.0),
    goal_k=kelvin,
    ways=ways,
    sd_k=st.floats(0.0, 10.0),
    doubt_tau_s=st.floats(30.0, 20_000.0),
)
ROUNDING_K = 1e-9


@given(bases, headings, st.floats(0.0, 40_000.0), st.floats(-1.65, 1.65))
def test_no_course_is_ever_warmer_than_the_bound(
    base: Base, heading: Heading, ahead_s: float, sigmas: float
) -> None:
    doubt_k = sigmas * (heading.sd_k + base.doubt_k)
    course_c = base.at_c(ahead_s) + heading.at_k(ahead_s, doubt_k)
    assert course_c <= highest_c(base, [heading]) + ROUNDING_K
