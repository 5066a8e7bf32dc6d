"""From payloads to values: what is read, and that nothing else is."""

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.config.values import UNITS, conversion
from cabinetwatch.mqtt.decoding import Decoded, Decoder, Value
from tests.mqtt.support import sensor

ARRIVED_MS = 1_700_000_000_000

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
    assert problem.isprintable()
    assert len(problem) < 400
    return problem


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"21.5", 21.5),
        (b" -3 \n", -3.0),
        (b"+4.25e1", 42.5),
        (b".5", 0.5),
        (b"7.", 7.0),
        (b"0021.50", 21.5),
    ],
)
def test_reads_a_bare_number(payload: bytes, value: float) -> None:
    assert read(BARE, payload) == [value]


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"nan",
        b"NaN",
        b"inf",
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
        b"<b>21</b>",
        b"21.5\r\nBcc: all@house.example",
        b"x" * 1_000_000,
    ],
)
def test_takes_nothing_else_for_a_bare_number(payload: bytes) -> None:
    assert "number" in fault(BARE, payload)


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b'{"temperature": 21.5}', 21.5),
        (b'{"temperature": 21, "humidity": null}', 21.0),
        (b'{"temperature": "21.5"}', 21.5),
        (b'{"temperature": " 2.15e1 "}', 21.5),
    ],
)
def test_reads_json(payload: bytes, value: float) -> None:
    assert read(JSON, payload) == [value]


@pytest.mark.parametrize(
    ("payload", "sentence"),
    [
        (b'{"temperature": NaN}', "NaN"),
        (b'{"temperature": -Infinity}', "Infinity"),
        (b'{"temperature": 1e400}', "not a finite number"),
        (b'{"temperature": ' + b"9" * 400 + b"}", "too large"),
        (b'{"temperature": ' + b"9" * 5000 + b"}", "too many digits"),
        (b'{"temperature": "1e400"}', "not a finite number"),
        (b'{"temperature": "21.5 C"}', "not wholly a number"),
        (b'{"temperature": ""}', "not wholly a number"),
        (b'{"temperature": true}', "true or false"),
        (b'{"temperature": null}', "null"),
        (b'{"temperature": {}}', "an object or a list"),
        (b'{"temperature": 1, "temperature": 2}', "comes twice"),
        (b'{"humidity": 40}', "nothing at '/temperature'"),
        (b"21.5", "nothing at '/temperature'"),
        (b'{"temperature": 21.5', "not JSON"),
        (b'{"temperature": 21.5} x', "not JSON"),
        (b"", "not JSON"),
        (b'{"temperature": "\xff"}', "not UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a":' * 50_000 + b"1" + b"}" * 50_000, "longer than"),
        (b'{"temperature": 21.5, "x": "' + b"x" * 1_000_000 + b'"}', "longer than"),
        (b"\x00\x1b[2J", "not JSON"),
        ("\u202e21".encode(), "not JSON"),
    ],
)
def test_takes_nothing_else_for_json(payload: bytes, sentence: str) -> None:
    assert sentence in fault(JSON, payload)


def test_reads_a_senml_record_with_its_own_time_and_unit() -> None:
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


def test_a_pack_without_times_is_dated_by_its_arrival() -> None:
    decoded = PACK.decode("cabinet/air", b'[{"n":"cabinet:air","u":"Cel","v":21.5}]', ARRIVED_MS)
    assert decoded.values == [Value("air", 21.5, None)]


@pytest.mark.parametrize(
    ("payload", "sentence"),
    [
        (b'[{"n":"cabinet:air","u":"W","v":21.5}]', "which is no unit of temperature"),
        (b'[{"n":"cabinet:air","u":"Cel","vs":"21.5"}]', "no numeric value"),
        (b'[{"n":"cabinet:air","vb":true}]', "no numeric value"),
        (b'[{"n":"hall:air","v":21.5}]', "no record named 'cabinet:air'"),
        (b'[{"n":"cabinet:air","v":1,"x_":1}]', "must be understood"),
        (b'{"n":"cabinet:air","v":1}', "no SenML pack"),
    ],
)
def test_takes_nothing_else_for_a_pack(payload: bytes, sentence: str) -> None:
    assert sentence in fault(PACK, payload)


@pytest.mark.parametrize(
    ("unit", "payload", "celsius"),
    [
        ("Cel", b"21.5", 21.5),
        ("K", b"273.15", 0.0),
        ("K", b"373.15", 100.0),
        ("degF", b"32", 0.0),
        ("degF", b"212", 100.0),
        ("degF", b"-40", -40.0),
    ],
)
def test_converts_temperatures(unit: str, payload: bytes, celsius: float) -> None:
    """The scales' definitions: 0 degC is 273.15 K and 32 degF; -40 is the same in degC and degF."""
    decoder = Decoder({"air": sensor("cabinet/air", unit=unit)})
    assert read(decoder, payload) == [pytest.approx(celsius)]


def test_every_configurable_unit_has_a_conversion() -> None:
    for quantity, names in UNITS.items():
        for name in names:
            assert conversion(quantity, name) is not None
        first = conversion(quantity, names[0])
        assert first is not None
        assert first(12.5) == 12.5


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
    assert decoded.unread == ["damp"]
    assert decoder.filters == ["cabinet/node"]


def test_under_a_wildcard_the_pointer_tells_sensors_apart() -> None:
    decoder = Decoder(
        {
            "nas": sensor("cabinet/+/state", pointer="/nas"),
            "switch": sensor("cabinet/+/state", pointer="/switch"),
        }
    )
    decoded = decoder.decode("cabinet/a/state", b'{"nas": 40}', ARRIVED_MS)
    assert decoded == Decoded([Value("nas", 40.0)], [], [])
    decoded = decoder.decode("cabinet/b/state", b'{"switch": 41}', ARRIVED_MS)
    assert decoded == Decoded([Value("switch", 41.0)], [], [])
    nothing = decoder.decode("cabinet/c/state", b'{"lamp": 1}', ARRIVED_MS)
    assert len(nothing.problems) == 2
    assert nothing.unread == ["nas", "switch"]


def test_a_topic_of_no_sensor_gives_nothing_at_all() -> None:
    assert BARE.decode("hall/air", b"rubbish", ARRIVED_MS) == Decoded([], [], [])


@pytest.mark.parametrize(
    ("payload", "unread"),
    [
        (b"rubbish", ["damp", "fan"]),
        (b'{"n": 1}', ["damp", "fan"]),
        (b'[{"n":"fan","v":"x"},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"bn":"f","n":"an","v":"x"},{"bn":"","n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"fan","v":"x"},{"n":"fan","v":"y"},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"fan","u":"Cel","v":1},{"n":"damp","v":40}]', ["fan"]),
        (b'[{"n":"fan","vb":true},{"n":"damp","v":40}]', ["fan"]),
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


@pytest.mark.parametrize("payload", [b"rubbish", b"{}", b'{"temperature": "x"}'])
def test_a_sensor_that_a_payload_fails_is_named(payload: bytes) -> None:
    assert JSON.decode("cabinet/air", payload, ARRIVED_MS).unread == ["air"]
    assert BARE.decode("cabinet/air", payload, ARRIVED_MS).unread == ["air"]


def test_topics_under_a_wildcard_are_remembered_within_bounds() -> None:
    decoder = Decoder({"air": sensor("#", pointer="")})
    for number in range(10_000):
        assert read(decoder, b"21.5") == [21.5]
        decoder.decode(f"cabinet/{number}", b"21.5", ARRIVED_MS)
    assert len(decoder._plans) < 5000


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


@settings(max_examples=2000, deadline=None, derandomize=True)
@given(PAYLOADS)
def test_no_payload_raises_and_every_value_is_finite(payload: bytes) -> None:
    decoded = ALL.decode("cabinet/air", payload, ARRIVED_MS)
    assert all(math.isfinite(value.value) for value in decoded.values)
    assert all(type(value.value) is float for value in decoded.values)
    assert all(problem.isprintable() for problem in decoded.problems)
    assert decoded.values or decoded.problems


@pytest.mark.parametrize(
    ("settings_of", "payload"),
    [
        ({}, b"1.7e308"),
        ({"pointer": "/t"}, b'{"t": 1.7e308}'),
        ({"senml_name": "a"}, b'[{"n": "a", "v": 1.7e308}]'),
    ],
)
def test_a_figure_that_conversion_makes_infinite_is_no_reading(
    settings_of: dict[str, str], payload: bytes
) -> None:
    decoder = Decoder({"air": sensor("cabinet/air", unit="degF", **settings_of)})
    decoded = decoder.decode("cabinet/air", payload, ARRIVED_MS)
    assert decoded.values == []
    assert decoded.unread == ["air"]
    assert decoded.problems == ["air: the value is not a finite number in Cel"]
