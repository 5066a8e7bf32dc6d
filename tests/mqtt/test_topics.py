"""Topic filters by MQTT 5.0, section 4.7, and their folding."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.mqtt import decoding as topics


@pytest.mark.parametrize(
    ("topic_filter", "topic", "expected"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/broker", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/broker", True),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        ("ACCOUNTS", "Accounts", False),
        ("a//b", "a//b", True),
        ("a/+/b", "a//b", True),
    ],
)
def test_matches_as_the_standard_says(topic_filter: str, topic: str, expected: bool) -> None:
    """MQTT 5.0, 4.7.1.2, 4.7.1.3, 4.7.2 and 4.7.3."""
    assert topics.matches(topic_filter, topic) is expected


@pytest.mark.parametrize(
    ("filters", "folded"),
    [
        (["a/b", "a/b"], ["a/b"]),
        (["a/b", "a/+"], ["a/+"]),
        (["a/+/x", "a/#", "a"], ["a/#"]),
        (["a/+/x", "a/b/+"], ["a/+/+"]),
        (["a/b", "c/d"], ["a/b", "c/d"]),
        (["a/+/x", "a/b/+", "a/c/y"], ["a/+/+"]),
        (["+/x", "$SYS/x"], ["$SYS/x", "+/x"]),
        (["+/b/#", "a/+"], ["+/+/#"]),
        ([], []),
    ],
)
def test_folds_filters(filters: list[str], folded: list[str]) -> None:
    assert topics.fold(filters) == folded


LEVEL = st.sampled_from(["a", "b", "", "$s"])


@st.composite
def topic_filters(draw: st.DrawFn) -> str:
    levels = draw(st.lists(st.one_of(LEVEL, st.just("+")), min_size=1, max_size=4))
    return "/".join([*levels, "#"] if draw(st.booleans()) else levels)


@given(
    st.lists(topic_filters(), max_size=6),
    st.lists(LEVEL, min_size=1, max_size=5).map("/".join),
)
def test_no_topic_is_lost_by_folding_and_none_is_matched_twice(
    filters: list[str], topic: str
) -> None:
    folded = topics.fold(filters)
    before = any(topics.matches(one, topic) for one in filters)
    after = [one for one in folded if topics.matches(one, topic)]
    assert len(after) <= 1
    assert after or not before
    assert topics.fold(folded) == folded


@given(st.lists(topic_filters(), min_size=2, max_size=2))
def test_covering_is_matching_everything_the_other_matches(filters: list[str]) -> None:
    wide, narrow = filters
    names = [
        "/".join(levels)
        for size in range(1, 4)
        for levels in combinations(["a", "b", "", "$s", "zz"], size)
    ]
    if topics.covers(wide, narrow):
        assert all(topics.matches(wide, name) for name in names if topics.matches(narrow, name))
