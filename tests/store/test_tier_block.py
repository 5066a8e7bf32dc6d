"""What goes into a block of a tier comes out of it, rounded as its figure is."""

import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.store.codecs import Bucket, TierBlock, decimals_of, encode_tier_block

WIDTH_MS = 60_000
values = st.floats(-1e9, 1e9) | st.integers(-5000, 9000).map(lambda n: n / 100)


@st.composite
def columns(draw: st.DrawFn) -> list[Bucket]:
    starts = draw(st.sets(st.integers(-10, 30_000_000), max_size=12))
    column = []
    for start in sorted(starts):
        low, mean, high = sorted(draw(st.tuples(values, values, values)))
        column.append(Bucket(start * WIDTH_MS, draw(st.integers(1, 10**6)), mean, low, high))
    return column


@settings(deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["value", "rise_k", "fan_rpm", "off", "load_fraction"]),
        columns(),
        min_size=1,
    )
)
def test_every_figure_comes_back_rounded_to_its_decimals(figures: dict[str, list[Bucket]]) -> None:
    block = TierBlock(encode_tier_block(figures, WIDTH_MS), WIDTH_MS)
    assert block.figures == list(figures)
    for figure, column in figures.items():
        within = 0.5001 * 10.0 ** -decimals_of(figure)
        found = block.buckets(figure)
        assert [each[:2] for each in found] == [each[:2] for each in column]
        for mine, yours in zip(found, column, strict=True):
            assert mine[2:] == pytest.approx(yours[2:], abs=within, rel=1e-12)
            assert mine.minimum <= mine.mean <= mine.maximum


def test_a_figure_that_is_not_there_has_no_buckets() -> None:
    block = TierBlock(
        encode_tier_block({"value": [Bucket(0, 1, 2.0, 2.0, 2.0)]}, WIDTH_MS), WIDTH_MS
    )
    assert block.buckets("rise_k") == []


def test_an_hour_of_minutes_takes_few_bytes() -> None:
    hour = [
        Bucket(n * WIDTH_MS, 30, 31 + n % 7 / 100, 30.9 + n % 5 / 100, 31.2 + n % 3 / 100)
        for n in range(60)
    ]
    assert len(encode_tier_block({"value": hour}, WIDTH_MS)) < 60 * 6


@pytest.mark.parametrize("damage", [b"", b"no block", zlib.compress(b"\x07" + bytes(40))])
def test_damage_and_unknown_formats_are_told(damage: bytes) -> None:
    with pytest.raises(ValueError, match="block of a tier"):
        TierBlock(damage, WIDTH_MS)
