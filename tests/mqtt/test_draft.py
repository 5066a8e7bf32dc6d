"""Drafting tables from what was heard: valid as it stands, and honest about guesses."""

import json
import tomllib
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt import draft as survey_module
from cabinetwatch.mqtt.draft import (
    QOS_0,
    Guess,
    Source,
    Survey,
    draft,
    find_sources,
    guess,
    toml_text,
)
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import load_config

HEAD = '[mqtt]\nhost = "127.0.0.1"\n\n'


def message(
    topic: str, payload: bytes, t: int = 0, *, qos: int = 1, retain: bool = False
) -> Incoming:
    return Incoming(1, 1, topic, payload, qos, False, retain, t, False)


def drafted(messages: Iterable[Incoming], config: Config | None = None) -> str:
    survey = Survey()
    for one in messages:
        survey.note(one)
    return draft(survey.topics.values(), config or Config())


def accepted(text: str, folder: Path) -> Config:
    """The configuration that the draft makes, appended to the least there can be."""
    path = folder / "config.toml"
    path.write_text(HEAD + text)
    return load_config(path)


@pytest.mark.parametrize(
    ("topic", "payload", "expected"),
    [
        ("cabinet/nas/temperature", b"41.5", Guess("temperature", "Cel")),
        ("cabinet/nas", b'{"temperature": 41.5}', Guess("temperature", "Cel")),
        ("cabinet/nas", b'{"temp_f": 104}', Guess("temperature", "degF")),
        ("cabinet/nas", b'{"tempF": 104}', Guess("temperature", "degF")),
        ("cabinet/nas", b'{"temperature": 314.6}', Guess("temperature", "K")),
        ("cabinet/damp", b'{"humidity": 55}', Guess("humidity", "%RH")),
        ("cabinet/nas/power", b'{"value": 42}', Guess("power", "W")),
        ("cabinet/nas/fan", b"900", Guess("fan-speed", "1/min")),
        ("cabinet/noise", b'{"spl": 31.5}', Guess("sound-level", "dB")),
        ("a/b", b'[{"n": "nas:air", "u": "K", "v": 300}]', Guess("temperature", "K")),
        ("cabinet/temperature", b'{"battery": 97}', None),
        ("cabinet/temperature", b"9999", None),
        ("cabinet/temperature", b'"27.4"', Guess("temperature", "Cel")),
        ("cabinet/power", b'{"power_kw": 1.2}', Guess("power", "kW")),
        ("cabinet/plug", b'{"power": {"value": 1.2, "unit": "kW"}}', Guess("power", "kW")),
        ("cabinet/plug", b'{"value": 0.04, "unit": "kW"}', Guess("power", "kW")),
        ("cabinet/air", b'{"value": "71.6", "unit": "\xc2\xb0F"}', Guess("temperature", "degF")),
        ("cabinet/plug", b'{"energy": {"value": 1.2, "unit": "kWh"}}', None),
        ("cabinet/power", b'{"value": 1.2, "unit": "kWh"}', None),
        ("cabinet/damp", b'{"humidity_percent": 55}', Guess("humidity", "%RH")),
        ("cabinet/damp", b'{"value": 55, "unit": "%"}', None),
        ("cabinet/humidity", b'{"value": 55, "unit": "%"}', Guess("humidity", "%RH")),
        ("cabinet/nas", b'{"battery_percent": 55}', None),
        ("cabinet/nas", b'{"fan_percent": 55}', None),
        (
            "cabinet/node",
            b'{"a": {"b": {"c": {"d": {"e": {"g": {"temperature": 41.5}}}}}}}',
            Guess("temperature", "Cel"),
        ),
        ("cabinet/nas", b'[{"n": "nas:light", "u": "lx", "v": 300}]', None),
        ("cabinet/nas", b"41.5", None),
    ],
)
def test_guesses_from_names_units_and_size(
    topic: str, payload: bytes, expected: Guess | None
) -> None:
    (source,) = find_sources(payload)
    assert guess(topic, source) == expected


def test_finds_every_number_with_its_pointer() -> None:
    payload = b'{"a/b": {"m~n": 1.5}, "list": ["2", true, null, {"x": "3 V"}], "deep": [[4]]}'
    assert find_sources(payload) == [
        Source(1.5, pointer="/a~1b/m~0n"),
        Source(2.0, pointer="/list/0"),
        Source(4.0, pointer="/deep/0/0"),
    ]
    assert find_sources(b"\xff") == []
    assert find_sources(b"[" * 90_000) == []


HOUSE = [message("cabinet/nas/temperature", b"41.5", t) for t in range(0, 60_000, 9_990)] + [
    message("cabinet/nas/power", b'{"power": 42.0}', 1000, qos=0),
    message("cabinet/nas/fan", b"900", 1000),
    message("cabinet/switch", b'{"temperature": 48.0, "battery": 97}', 1000),
    message("hall/air", b'[{"bn": "hall:", "n": "air", "u": "Cel", "v": 21.0}]', 1000),
    message("hall/air", b'[{"bn": "hall:", "n": "air", "u": "Cel", "v": 21.0}]', 1000, retain=True),
    message("cabinet/lamp", b"on", 1000),
    message("cabinetwatch/device/nas", b'{"temperature_c": 41.5}', 1000),
]


def test_the_draft_is_accepted_and_has_a_device_for_each_temperature(tmp_path: Path) -> None:
    config = accepted(drafted(HOUSE), tmp_path)
    assert set(config.sensors) == {
        "cabinet-nas-temperature",
        "cabinet-nas-power",
        "cabinet-nas-fan",
        "cabinet-switch-temperature",
        "hall-air",
    }
    assert set(config.devices) == {"cabinet-nas", "cabinet-switch", "hall-air-device"}
    nas = config.devices["cabinet-nas"]
    assert (nas.temperature, nas.ambient) == ("cabinet-nas-temperature", "hall-air")
    assert (nas.power, nas.fan) == (("cabinet-nas-power",), "cabinet-nas-fan")
    assert config.sensors["cabinet-nas-temperature"].interval_s == 10.0
    assert config.sensors["hall-air"].senml_name == "hall:air"
    assert config.sensors["cabinet-switch-temperature"].pointer == "/temperature"


def test_says_what_comes_at_qos_0_and_what_was_only_retained() -> None:
    text = drafted(
        [
            message("cabinet/nas/temperature", b"41", qos=0),
            message("hall/temperature", b"21", retain=True),
            message("cabinet/fan", b"900"),
        ]
    )
    at_qos_0, retained, plain = (
        text[text.index(f"[sensors.{name}]") - 200 :][:200]
        for name in ("cabinet-nas-temperature", "hall-temperature", "cabinet-fan")
    )
    assert QOS_0 in at_qos_0
    assert "only a retained message" in retained
    assert text.count(QOS_0) == 1
    assert text.count("only a retained message") == 1
    assert plain


def test_what_is_configured_already_is_not_drafted_again(tmp_path: Path) -> None:
    first = drafted(HOUSE)
    config = accepted(first, tmp_path)
    again = drafted([*HOUSE, message("cabinet/ups/temperature", b"33")], config)
    assert "it is [sensors.cabinet-switch-temperature] already" in again
    both = accepted(first + "\n" + again, tmp_path)
    assert len(both.sensors) == 6


def test_a_single_temperature_gets_a_device_without_ambient(tmp_path: Path) -> None:
    config = accepted(drafted([message("cabinet/nas/temperature", b"41")]), tmp_path)
    assert config.devices["cabinet-nas"].ambient is None


@given(st.text())
def test_toml_text_comes_back(text: str) -> None:
    written = toml_text(text.encode("utf-8", "ignore").decode())
    assert tomllib.loads(f"x = {written}")["x"] == text.encode("utf-8", "ignore").decode()
    assert plain(written).isprintable()


TOPIC = st.lists(
    st.one_of(
        st.sampled_from(
            ["cabinet", "nas", "temperature", "site", "Temp", "power", "hall", "-", ""]
        ),
        st.text(st.characters(codec="utf-8", exclude_characters="\0#+/"), max_size=6),
    ),
    min_size=1,
    max_size=4,
).map("/".join)
BODY = st.one_of(
    st.floats(-50, 100).map(lambda value: str(value).encode()),
    st.dictionaries(
        st.sampled_from(["temperature", "temp_f", "humidity", "fan", "a/b", "sound level", ""]),
        st.floats(0, 90),
        max_size=4,
    ).map(lambda value: json.dumps(value).encode()),
    st.binary(max_size=20),
)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.lists(st.tuples(TOPIC.filter(bool), BODY), max_size=12))
def test_every_draft_is_accepted(
    tmp_path_factory: pytest.TempPathFactory, heard: list[tuple[str, bytes]]
) -> None:
    text = drafted(message(topic, body) for topic, body in heard)
    accepted(text, tmp_path_factory.mktemp("draft"))


def test_pictures_of_a_camera_are_told_and_not_kept() -> None:
    survey = Survey()
    picture = b"\xff\xd8" + bytes(300_000)
    for number in range(20):
        survey.note(message("hall/camera", picture, number))
    (heard,) = survey.topics.values()
    assert heard.count == 20
    assert sum(map(len, heard.payloads)) == 0
    assert r"hall/camera: no number in '\xff\xd8" in draft([heard], Config())
    assert "(300002 bytes)" in heard.shown


def test_half_a_character_in_a_name_leaves_the_draft_valid(tmp_path: Path) -> None:
    """JSON may name a lone surrogate (RFC 8259, 8.2); TOML 1.0 has only Unicode scalar values."""
    text = drafted([message("cabinet/nas", b'{"temp\\ud800": 41.5, "temperature": 40.0}')])
    assert list(tomllib.loads(text)["sensors"]) == ["cabinet-nas-temperature"]
    assert "half a character" in text
    text.encode()
    assert accepted(text, tmp_path).sensors["cabinet-nas-temperature"].pointer == "/temperature"


def test_a_survey_is_bounded_in_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey_module, "_MOST_BYTES", 100_000)
    survey = Survey()
    for number in range(20):
        for _ in range(20):
            survey.note(message(f"{number:05}" * 1000, b"1" * 300))
    kept = sum(len(topic) + sum(map(len, heard.payloads)) for topic, heard in survey.topics.items())
    assert 90_000 < kept < 110_000
    assert 0 < len(survey.topics) < 20
    assert survey.left_out == 20 * (20 - len(survey.topics))
    assert all(heard.count == 20 for heard in survey.topics.values())
