"""SenML packs against the examples and rules of RFC 8428."""

from typing import Any

import pytest

from cabinetwatch.mqtt.decoding import MOST_RECORDS, BadPack, Record, resolve

NOW_S = 1_700_000_000.0


def records(document: object) -> list[Record]:
    pack = resolve(document, NOW_S)
    assert pack.problems == []
    return pack.records


def brief(document: object) -> set[tuple[str, str | None, Any, float]]:
    return {(r.name, r.unit, r.value, round(r.time_s, 3)) for r in records(document)}


def test_single_datapoint() -> None:
    """RFC 8428, 5.1.1."""
    (record,) = records([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}])
    assert (record.name, record.unit, record.value) == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1)
    assert (record.time_s, record.timed) == (NOW_S, False)


def test_base_name_is_put_before_names() -> None:
    """RFC 8428, 5.1.2, first example."""
    assert brief(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:", "n": "voltage", "u": "V", "v": 120.1},
            {"n": "current", "u": "A", "v": 1.2},
        ]
    ) == {
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, NOW_S),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2, NOW_S),
    }


def test_base_time_unit_and_version() -> None:
    """RFC 8428, 5.1.2, second example: bver 5 is kept in every record, as it is not 10 (4.6)."""
    base = {
        "bn": "urn:dev:ow:10e2073a0108006:",
        "bt": 1.276020076001e09,
        "bu": "A",
        "bver": 5,
        "n": "voltage",
        "u": "V",
        "v": 120.1,
    }
    currents = [
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    name = "urn:dev:ow:10e2073a0108006:"
    expected = {
        (f"{name}current", "A", value, 1276020071.001 + second)
        for second, value in enumerate([1.2, 1.3, 1.4, 1.5, 1.6, 1.7])
    } | {(f"{name}voltage", "V", 120.1, 1276020076.001)}
    assert brief([base, *currents]) == expected
    assert {record.version for record in records([base, *currents])} == {5}


def test_multiple_units_and_relative_to_the_base_time() -> None:
    """RFC 8428, 5.1.3 (first and last records; the full list resolved stands in 5.1.4)."""
    assert brief(
        [
            {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e09, "bu": "%RH", "v": 20},
            {"u": "%EL", "t": 0, "v": 100},
            {"t": 60, "v": 20.3},
            {"u": "%EL", "t": 150, "v": 98},
        ]
    ) == {
        ("urn:dev:ow:10e2073a01080063", "%RH", 20.0, 1320067464.0),
        ("urn:dev:ow:10e2073a01080063", "%EL", 100.0, 1320067464.0),
        ("urn:dev:ow:10e2073a01080063", "%RH", 20.3, 1320067524.0),
        ("urn:dev:ow:10e2073a01080063", "%EL", 98.0, 1320067614.0),
    }


def test_a_collection_of_resources_changes_the_base_name_and_keeps_the_base_time() -> None:
    """RFC 8428, 5.1.6."""
    assert brief(
        [
            {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
            {"n": "humidity", "u": "%RH", "v": 30},
            {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
            {"n": "humidity", "u": "%RH", "v": 67},
        ]
    ) == {
        ("2001:db8::2/temperature", "Cel", 25.2, 1320078429.0),
        ("2001:db8::2/humidity", "%RH", 30.0, 1320078429.0),
        ("2001:db8::1/temperature", "Cel", 12.3, 1320078429.0),
        ("2001:db8::1/humidity", "%RH", 67.0, 1320078429.0),
    }


def test_base_value_reaches_every_unit_and_the_result_is_in_time_order() -> None:
    """By the rules of RFC 8428, 4.1, 4.5.2 and 4.6; the figures are calculated by hand."""
    resolved = records(
        [
            {"bt": 1700000000, "bu": "Cel", "bv": 20, "n": "in", "v": 3.5},
            {"n": "out", "t": 10, "v": 9.25},
            {"n": "rh", "u": "%RH", "t": -5, "v": 25},
        ]
    )
    assert [(r.name, r.unit, r.value, r.time_s) for r in resolved] == [
        ("rh", "%RH", 45.0, 1699999995.0),
        ("in", "Cel", 23.5, 1700000000.0),
        ("out", "Cel", 29.25, 1700000010.0),
    ]


@pytest.mark.parametrize(
    ("stated_s", "resolved_s"),
    [
        (-5, NOW_S - 5),
        (0, NOW_S),
        (2**28 - 1, NOW_S + 2**28 - 1),
        (2**28, 268_435_456.0),
    ],
)
def test_times_below_2_to_the_28_are_relative_to_now(stated_s: float, resolved_s: float) -> None:
    """RFC 8428, 4.5.3."""
    (record,) = records([{"n": "air", "t": stated_s, "v": 1}])
    assert (record.time_s, record.timed) == (resolved_s, True)


@pytest.mark.parametrize(
    ("document", "sentence"),
    [
        ({"n": "air", "v": 1}, "a list of objects"),
        ([1], "a list of objects"),
        ([{"n": "air", "v": 1, "extra_": 1}], "must be understood"),
        ([{"bver": 11, "n": "air", "v": 1}], "version 11"),
        ([{"bver": 0, "n": "air", "v": 1}], "bver"),
        ([{"bver": True, "n": "air", "v": 1}], "bver"),
        ([{"bt": "noon", "n": "air", "v": 1}], "bt"),
        ([{"bn": 5, "n": "air", "v": 1}], "bn"),
    ],
)
def test_refuses_a_whole_pack(document: object, sentence: str) -> None:
    """RFC 8428, 4.4 for versions and labels that end in an underscore."""
    with pytest.raises(BadPack, match=sentence):
        resolve(document, NOW_S)


@pytest.mark.parametrize(
    "bad",
    [
        {"n": "bad", "v": 1, "vs": "1"},
        {"n": "bad"},
        {"n": "bad", "v": "1"},
        {"n": "bad", "v": True},
        {"n": "bad", "vb": 1},
        {"n": "-bad", "v": 1},
        {"n": "b\nad", "v": 1},
        {"v": 1},
        {"n": "bad", "t": 1e300, "v": 1},
        {"n": "bad", "t": -1e12, "v": 1},
        {"n": "bad", "v": 10**400},
    ],
)
def test_a_bad_record_does_not_cost_the_others(bad: dict[str, Any]) -> None:
    """RFC 8428, 4.2 (exactly one value), 4.3 (types), 4.5.1 (names)."""
    pack = resolve([{"n": "air", "v": 1}, bad, {"n": "fan", "v": 2}], NOW_S)
    assert [record.name for record in pack.records] == ["air", "fan"]
    assert len(pack.problems) == 1
    assert "\n" not in pack.problems[0]


def test_sums_stand_beside_values_or_alone() -> None:
    """RFC 8428, 4.1 and 4.2: base sum and sum are added; a sum may stand without a value."""
    with_value, alone = records([{"bs": 100, "n": "air", "v": 1, "s": 5}, {"n": "power", "s": 7}])
    assert (with_value.value, with_value.total) == (1.0, 105.0)
    assert (alone.value, alone.total) == (None, 107.0)


def test_unknown_fields_are_ignored() -> None:
    """RFC 8428, 4.4."""
    assert records([{"n": "air", "v": 1, "colour": "blue"}])[0].value == 1.0


def test_a_record_of_base_fields_only_sets_them_for_those_that_follow() -> None:
    assert brief([{"bn": "cabinet:", "bu": "Cel"}, {"n": "air", "v": 21.5}]) == {
        ("cabinet:air", "Cel", 21.5, NOW_S)
    }


def test_a_pack_of_more_records_than_are_read_is_refused_whole() -> None:
    record = {"n": "air", "v": 21.5}
    assert len(resolve([record] * MOST_RECORDS, NOW_S).records) == MOST_RECORDS
    with pytest.raises(BadPack, match="has 2001 records; at most 2000 are read from one message"):
        resolve([record] * (MOST_RECORDS + 1), NOW_S)


def test_a_base_name_is_not_multiplied_by_the_records_that_follow() -> None:
    long = {"bn": "a" * 100_000, "n": "b", "v": 1}
    with pytest.raises(BadPack, match="has a bn longer than 512 characters"):
        resolve([long, *[{"n": "c", "v": 1}] * 1000], NOW_S)
    pack = resolve([{"n": "a" * 513, "v": 1}, {"n": "b", "v": 1}], NOW_S)
    assert [record.name for record in pack.records] == ["b"]
    assert pack.problems == ["record 1 has a name longer than 512 characters"]
