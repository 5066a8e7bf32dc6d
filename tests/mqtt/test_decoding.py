"""From payloads to values: what is read, and nothing else; and which topics are asked for."""

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from cabinetwatch.config.values import UNITS, conversion
from cabinetwatch.mqtt.decoding import (
    MOST_RECORDS,
    Decoded,
    Decoder,
    Record,
    Undecodable,
    Value,
    covers,
    fold,
    resolve,
)
from cabinetwatch.text import plain
from tests.mqtt.support import sensor

ARRIVED_MS = 1_700_000_000_000
NOW_S = 1_700_000_000.0

BARE = Decoder({"air": sensor("cabinet/air")})
JSON = Decoder({"air": sensor("cabinet/air", pointer="/temperature")})
PACK = Decoder({"air": sensor("cabinet/air", senml_name="cabinet:air")})
ALL = Decoder(
    {
        "bare": sensor("cabinet/air"),
        "pointed": sensor("cabinet/air", pointer="/temperature"),
        "whole": sensor("cabinet/air", pointer=""),
        "first": sensor("cabinet/air", pointer="/0/v"),
        "named": sensor("cabinet/air", senml_name="cabinet:air"),
        "wild": sensor("cabinet/+", pointer="/a~1b"),
    }
)


def read(decoder: Decoder, payload: bytes) -> list[float]:
    return [value.value for value in decoder.decode("cabinet/air", payload, ARRIVED_MS).values]


def fault(decoder: Decoder, payload: bytes) -> str:
    decoded = decoder.decode("cabinet/air", payload, ARRIVED_MS)
    assert decoded.values == []
    (problem,) = decoded.problems
    assert decoded.unread == {"air": problem}
    assert plain(problem).isprintable()
    assert len(problem) < 400
    return problem


@pytest.mark.parametrize(
    ("decoder", "payload", "value"),
    [
        (BARE, b"21.5", 21.5),
        (BARE, b" -3 \n", -3.0),
        (BARE, b"+4.25e1", 42.5),
        (BARE, b".5", 0.5),
        (BARE, b"7.", 7.0),
        (JSON, b'{"temperature": 21, "humidity": null}', 21.0),
        (JSON, b'{"temperature": " 2.15e1 "}', 21.5),
    ],
)
def test_reads_a_number(decoder: Decoder, payload: bytes, value: float) -> None:
    assert read(decoder, payload) == [value]


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"nan",
        b"-Infinity",
        b"1e400",
        b"1_000",
        b"0x10",
        b"21,5",
        b"21.5 C",
        b"true",
        b"\xff\xfe",
        "٢١".encode(),
        b"1" * 5000,
        b"21.5\r\nBcc: all@house.example",
    ],
)
def test_takes_nothing_else_for_a_bare_number(payload: bytes) -> None:
    assert "number" in fault(BARE, payload)


@pytest.mark.parametrize(
    ("decoder", "payload", "sentence"),
    [
        (JSON, b'{"temperature": NaN}', "NaN"),
        (JSON, b'{"temperature": -Infinity}', "Infinity"),
        (JSON, b'{"temperature": 1e400}', "not a finite number"),
        (JSON, b'{"temperature": ' + b"9" * 400 + b"}", "too large"),
        (JSON, b'{"temperature": ' + b"9" * 5000 + b"}", "too many digits"),
        (JSON, b'{"temperature": "1e400"}', "not a finite number"),
        (JSON, b'{"temperature": "21.5 C"}', "not wholly a number"),
        (JSON, b'{"temperature": true}', "true or false"),
        (JSON, b'{"temperature": null}', "null"),
        (JSON, b'{"temperature": {}}', "an object or a list"),
        (JSON, b'{"temperature": 1, "temperature": 2}', "comes twice"),
        (JSON, b'{"humidity": 40}', "nothing at '/temperature'"),
        (JSON, b"21.5", "nothing at '/temperature'"),
        (JSON, b'{"temperature": 21.5} x', "not JSON"),
        (JSON, b'{"temperature": "\xff"}', "not UTF-8"),
        (JSON, b"[" * 100_000, "nested too deeply"),
        (JSON, b'{"temperature": 21.5, "x": "' + b"x" * 1_000_000 + b'"}', "longer than"),
        (JSON, b"\x00\x1b[2J", "not JSON"),
        (PACK, b'[{"n":"cabinet:air","u":"W","v":21.5}]', "which is no unit of temperature"),
        (PACK, b'[{"n":"cabinet:air","u":"Cel","vs":"21.5"}]', "no numeric value"),
        (PACK, b'[{"n":"cabinet:air","vb":true}]', "no numeric value"),
        (PACK, b'[{"n":"hall:air","v":21.5}]', "no record named 'cabinet:air'"),
        (PACK, b'[{"n":"cabinet:air","v":1,"x_":1}]', "must be understood"),
        (PACK, b'{"n":"cabinet:air","v":1}', "no SenML pack"),
    ],
)
def test_says_why_a_payload_is_not_read(decoder: Decoder, payload: bytes, sentence: str) -> None:
    assert sentence in fault(decoder, payload)


@pytest.mark.parametrize(
    ("pointer", "document", "values"),
    [
        ("/probes/1/value", {"probes": [{"value": 1}, {"value": 2}]}, [2.0]),
        ("/a~1b", {"a/b": 3}, [3.0]),
        ("/~01", {"~1": 4, "/": 5}, [4.0]),
        ("/-", {"-": 5}, [5.0]),
        ("/list/-", {"list": [1]}, []),
        ("/list/1", {"list": [1]}, []),
        ("/list/00", {"list": [1]}, []),
    ],
)
def test_a_pointer_names_a_member(pointer: str, document: object, values: list[float]) -> None:
    """RFC 6901, section 4: escapes, no leading zeros, - is the element past the end of a list."""
    decoder = Decoder({"air": sensor("cabinet/air", pointer=pointer)})
    decoded = decoder.decode("cabinet/air", json.dumps(document).encode(), ARRIVED_MS)
    assert [value.value for value in decoded.values] == values
    assert decoded.problems == ([] if values else [f"air: the payload has nothing at '{pointer}'"])


def test_reads_senml_records_with_their_own_time_and_unit() -> None:
    payload = json.dumps(
        [
            {"bn": "cabinet:", "bt": 1_699_999_990, "n": "air", "u": "K", "v": 294.65},
            {"n": "fan", "u": "1/min", "v": 900},
            {"n": "air", "u": "Cel", "t": 5, "v": 22},
        ]
    ).encode()
    decoded = PACK.decode("cabinet/air", payload, ARRIVED_MS)
    assert decoded.problems == []
    first, second = decoded.values
    assert first.value == pytest.approx(21.5)
    assert first.own_utc_ms == 1_699_999_990_000
    assert second == Value("air", 22.0, 1_699_999_995_000)
    undated = PACK.decode("cabinet/air", b'[{"n":"cabinet:air","u":"Cel","v":21.5}]', ARRIVED_MS)
    assert undated.values == [Value("air", 21.5, None)]


@pytest.mark.parametrize(
    ("unit", "payload", "celsius"),
    [("Cel", b"21.5", 21.5), ("K", b"273.15", 0.0), ("degF", b"212", 100.0), ("degF", b"-40", -40)],
)
def test_converts_temperatures(unit: str, payload: bytes, celsius: float) -> None:
    """The scales' definitions: 0 degC is 273.15 K and 32 degF; -40 is the same in degC and degF."""
    decoder = Decoder({"air": sensor("cabinet/air", unit=unit)})
    assert read(decoder, payload) == [pytest.approx(celsius)]


def test_every_configurable_unit_has_a_conversion() -> None:
    for quantity, names in UNITS.items():
        assert all(conversion(quantity, name) is not None for name in names)
        first = conversion(quantity, names[0])
        assert first is not None
        assert first(12.5) == 12.5


@pytest.mark.parametrize(
    ("keys", "payload"),
    [
        ({}, b"1.7e308"),
        ({"pointer": "/t"}, b'{"t": 1.7e308}'),
        ({"senml_name": "a"}, b'[{"n": "a", "v": 1.7e308}]'),
    ],
)
def test_a_figure_that_conversion_makes_infinite_is_no_reading(
    keys: dict[str, str], payload: bytes
) -> None:
    decoder = Decoder({"air": sensor("cabinet/air", unit="degF", **keys)})
    assert fault(decoder, payload) == "air: the value is not a finite number in Cel"


def test_one_topic_feeds_several_sensors() -> None:
    decoder = Decoder(
        {
            "air": sensor("cabinet/node", pointer="/temperature"),
            "damp": sensor("cabinet/node", pointer="/humidity", quantity="humidity"),
        }
    )
    decoded = decoder.decode("cabinet/node", b'{"temperature": 21, "humidity": "x"}', ARRIVED_MS)
    assert decoded.values == [Value("air", 21.0)]
    assert "damp" in decoded.problems[0]
    assert list(decoded.unread) == ["damp"]
    neither = decoder.decode("cabinet/node", b'{"temperature": null, "humidity": "x"}', ARRIVED_MS)
    assert neither.unread == dict(zip(("air", "damp"), neither.problems, strict=True))
    assert decoder.filters == ["cabinet/node"]


def test_under_a_wildcard_the_pointer_tells_sensors_apart() -> None:
    decoder = Decoder(
        {
            "nas": sensor("cabinet/+/state", pointer="/nas"),
            "switch": sensor("cabinet/+/state", pointer="/switch"),
        }
    )
    decoded = decoder.decode("cabinet/a/state", b'{"nas": 40}', ARRIVED_MS)
    assert decoded == Decoded([Value("nas", 40.0)], [], {})
    nothing = decoder.decode("cabinet/c/state", b'{"lamp": 1}', ARRIVED_MS)
    assert len(nothing.problems) == 2
    assert list(nothing.unread) == ["nas", "switch"]
    assert decoder.sensors_of("cabinet/c/state") == ("nas", "switch")
    assert decoder.decode("hall/air", b"rubbish", ARRIVED_MS) == Decoded([], [], {})


@pytest.mark.parametrize(
    ("payload", "unread"),
    [
        (b"rubbish", ["damp", "fan"]),
        (b'{"n": 1}', ["damp", "fan"]),
        (b'[{"n":"fan","v":"x"},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"bn":"f","n":"an","v":"x"},{"bn":"","n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"fan","v":"x"},{"n":"fan","v":"y"},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"fan","u":"Cel","v":1},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"lamp","v":"x"},{"n":"damp","v":40}]', []),
        (b'[{"n":"damp","v":40}]', []),
        (b'[{"n":"lamp","v":1}]', ["damp", "fan"]),
    ],
)
def test_each_sensor_that_a_pack_fails_is_named_once_and_no_other(
    payload: bytes, unread: list[str]
) -> None:
    decoder = Decoder(
        {
            "fan": sensor("cabinet/node", senml_name="fan", quantity="fan-speed"),
            "damp": sensor("cabinet/node", senml_name="damp", quantity="humidity"),
        }
    )
    assert sorted(decoder.decode("cabinet/node", payload, ARRIVED_MS).unread) == unread


def test_each_sensor_that_a_pack_fails_is_told_its_own_record() -> None:
    decoder = Decoder(
        {
            "air": sensor("cabinet/node", pointer="/0/v"),
            "fan": sensor("cabinet/node", senml_name="fan", quantity="fan-speed"),
            "damp": sensor("cabinet/node", senml_name="damp", quantity="humidity"),
        }
    )
    payload = b'[{"n":"fan","v":"x"},{"n":"damp","v":"y"}]'
    unread = decoder.decode("cabinet/node", payload, ARRIVED_MS).unread
    assert unread["air"].startswith("air: the value at '/0/v'")
    assert unread["fan"].startswith("in the payload record 1 ")
    assert unread["damp"].startswith("in the payload record 2 ")


def any_json() -> st.SearchStrategy[Any]:
    scalars = st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=20),
        st.sampled_from(["cabinet:air", "21.5", "\r\nBcc: x", "<script>"]),
    )
    keys = st.one_of(
        st.sampled_from(["temperature", "n", "v", "u", "t", "bn", "bt", "bv", "bver", "vs", "a/b"]),
        st.text(max_size=5),
    )
    return st.recursive(
        scalars,
        lambda inner: st.one_of(
            st.lists(inner, max_size=4), st.dictionaries(keys, inner, max_size=5)
        ),
        max_leaves=12,
    )


PAYLOADS = st.one_of(
    st.binary(max_size=200),
    any_json().map(lambda value: json.dumps(value).encode()),
    any_json().map(lambda value: json.dumps([value]).encode()),
    st.floats().map(lambda value: str(value).encode()),
    st.text(alphabet='[]{}",:0123456789.eE-+ \x00\x1b\u202e', max_size=60).map(str.encode),
)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(PAYLOADS)
def test_no_payload_raises_and_every_value_is_finite(payload: bytes) -> None:
    decoded = ALL.decode("cabinet/air", payload, ARRIVED_MS)
    assert all(math.isfinite(value.value) for value in decoded.values)
    assert all(type(value.value) is float for value in decoded.values)
    assert all(plain(problem).isprintable() for problem in decoded.problems)
    assert decoded.values or decoded.problems


# -- SenML ----------------------------------------------------------------------------------------


def records(document: object) -> list[Record]:
    pack = resolve(document, NOW_S)
    assert pack.problems == []
    return pack.records


NAME = "urn:dev:ow:10e2073a01080063"


@pytest.mark.parametrize(
    ("document", "resolved"),
    [
        # RFC 8428, 5.1.1.
        ([{"n": NAME, "u": "Cel", "v": 23.1}], [(NAME, "Cel", 23.1, NOW_S)]),
        # 5.1.2, first example.
        (
            [
                {"bn": f"{NAME}:", "n": "voltage", "u": "V", "v": 120.1},
                {"n": "current", "u": "A", "v": 1.2},
            ],
            [(f"{NAME}:voltage", "V", 120.1, NOW_S), (f"{NAME}:current", "A", 1.2, NOW_S)],
        ),
        # 5.1.2, second example, shortened: base time, base unit, and a version below 10.
        (
            [
                {
                    "bn": "urn:dev:ow:10e2073a0108006:",
                    "bt": 1.276020076001e09,
                    "bu": "A",
                    "bver": 5,
                    "n": "voltage",
                    "u": "V",
                    "v": 120.1,
                },
                {"n": "current", "t": -5, "v": 1.2},
                {"n": "current", "v": 1.7},
            ],
            [
                ("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1276020071.001),
                ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1276020076.001),
                ("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1276020076.001),
            ],
        ),
        # 5.1.6: a new base name, and the base time stays.
        (
            [
                {
                    "bn": "2001:db8::2/",
                    "bt": 1.320078429e09,
                    "n": "temperature",
                    "u": "Cel",
                    "v": 25.2,
                },
                {"bn": "2001:db8::1/", "n": "humidity", "u": "%RH", "v": 67},
            ],
            [
                ("2001:db8::2/temperature", "Cel", 25.2, 1320078429.0),
                ("2001:db8::1/humidity", "%RH", 67.0, 1320078429.0),
            ],
        ),
        # By the rules of 4.1, 4.5.2 and 4.6; the figures are calculated by hand.
        (
            [
                {"bt": 1700000000, "bu": "Cel", "bv": 20, "n": "in", "v": 3.5},
                {"n": "out", "t": 10},
                {"n": "rh", "u": "%RH", "t": -5, "v": 25},
            ],
            [
                ("rh", "%RH", 45.0, 1699999995.0),
                ("in", "Cel", 23.5, 1700000000.0),
                ("out", "Cel", 20.0, 1700000010.0),
            ],
        ),
        # Base fields alone set them for those that follow.
        (
            [{"bn": "cabinet:", "bu": "Cel"}, {"n": "air", "v": 21.5}],
            [("cabinet:air", "Cel", 21.5, NOW_S)],
        ),
        # 4.1, 4.2: a sum may stand beside a value or alone; 4.4: unknown fields are ignored.
        (
            [{"bs": 100, "n": "air", "v": 1, "s": 5, "colour": "blue"}, {"n": "power", "s": 7}],
            [("air", None, 1.0, NOW_S), ("power", None, None, NOW_S)],
        ),
    ],
)
def test_resolves_a_pack(document: object, resolved: list[tuple[Any, ...]]) -> None:
    assert [(r.name, r.unit, r.value, round(r.time_s, 3)) for r in records(document)] == resolved


@pytest.mark.parametrize(
    ("stated_s", "resolved_s"),
    [(-5, NOW_S - 5), (0, NOW_S), (2**28 - 1, NOW_S + 2**28 - 1), (2**28, 268_435_456.0)],
)
def test_times_below_2_to_the_28_are_relative_to_now(stated_s: float, resolved_s: float) -> None:
    """RFC 8428, 4.5.3."""
    (record,) = records([{"n": "air", "t": stated_s, "v": 1}])
    assert (record.time_s, record.timed) == (resolved_s, True)


LONG = {"bn": "a" * 100_000, "n": "b", "v": 1}


@pytest.mark.parametrize(
    ("document", "sentence"),
    [
        ([1], "a list of objects"),
        ([{"n": "air", "v": 1, "extra_": 1}], "must be understood"),
        ([{"bver": 11, "n": "air", "v": 1}], "version 11"),
        ([{"bver": 0, "n": "air", "v": 1}], "bver"),
        ([{"bver": True, "n": "air", "v": 1}], "bver"),
        ([{"bt": "noon", "n": "air", "v": 1}], "bt"),
        ([{"bn": 5, "n": "air", "v": 1}], "bn"),
        ([LONG, *[{"n": "c", "v": 1}] * 1000], "has a bn longer than 512 characters"),
        ([{"n": "air", "v": 1}] * (MOST_RECORDS + 1), "has 2001 records; at most 2000 are read"),
    ],
)
def test_refuses_a_whole_pack(document: object, sentence: str) -> None:
    """RFC 8428, 4.4 for versions and labels that end in an underscore; the bounds are ours."""
    with pytest.raises(Undecodable, match=sentence):
        resolve(document, NOW_S)


@pytest.mark.parametrize(
    "bad",
    [
        {"n": "bad", "v": 1, "vs": "1"},
        {"n": "bad"},
        {"n": "bad", "v": "1"},
        {"n": "bad", "v": True},
        {"n": "bad", "vb": 1},
        {"n": "bad", "v": 1, "s": "1"},
        {"n": "-bad", "v": 1},
        {"n": "b\nad", "v": 1},
        {"n": "a" * 513, "v": 1},
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
    assert "\n" not in pack.problems[0][1]


# -- topic filters --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topic_filter", "topic", "fed"),
    [
        ("cabinet/#", "cabinet", True),
        ("cabinet/#", "cabinet/nas/air", True),
        ("cabinet/+", "cabinet", False),
        ("cabinet/+", "cabinet/", True),
        ("+", "/cabinet", False),
        ("#", "$SYS/broker", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/broker", True),
        ("CABINET", "cabinet", False),
    ],
)
def test_a_topic_feeds_whom_the_standard_says(topic_filter: str, topic: str, fed: bool) -> None:
    """MQTT 5.0, 4.7.1.2, 4.7.1.3, 4.7.2 and 4.7.3."""
    decoder = Decoder({"air": sensor(topic_filter, pointer="/t")})
    assert decoder.sensors_of(topic) == (("air",) if fed else ())


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
    assert fold(filters) == folded


LEVEL = st.sampled_from(["a", "b", "", "$s"])


@st.composite
def topic_filters(draw: st.DrawFn) -> str:
    levels = draw(st.lists(st.one_of(LEVEL, st.just("+")), min_size=1, max_size=4))
    return "/".join([*levels, "#"] if draw(st.booleans()) else levels)


@settings(deadline=None)
@given(st.lists(topic_filters(), max_size=6), st.lists(LEVEL, min_size=1, max_size=5).map("/".join))
def test_no_topic_is_lost_by_folding_and_none_is_matched_twice(
    filters: list[str], topic: str
) -> None:
    folded = fold(filters)
    before = any(topic_matches_sub(one, topic) for one in filters)
    after = [one for one in folded if topic_matches_sub(one, topic)]
    assert len(after) <= 1
    assert after or not before
    assert fold(folded) == folded
    for wide in filters:
        for narrow in filters:
            if covers(wide, narrow) and topic_matches_sub(narrow, topic):
                assert topic_matches_sub(wide, topic)
