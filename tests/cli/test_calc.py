"""`calc`: what it prints, and what it refuses."""

import json
from typing import Any

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.text import plain, typeset

Capture = pytest.CaptureFixture[str]


def _print(capsys: Capture, arguments: str) -> str:
    assert main(["calc", *arguments.split()]) == 0
    # Folded, and with blanks that no number parts at.
    return " ".join(capsys.readouterr().out.split())


def _answer(capsys: Capture, arguments: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(_print(capsys, f"{arguments} --json"))
    assert answer["formula"]
    assert answer["source"]
    assert answer["inputs"]
    return answer


def test_a_fan_gets_the_next_lower_resistor(capsys: Capture) -> None:
    answer = _answer(capsys, "fan --supply 12 --rated 12 0.1 --voltage 7")["answer"]
    # By hand: 85.714 ohm, so 82 in both series; the models give 7.129, 8.185 and 3.80 V.
    assert answer["resistor_ohm"] == 82
    assert answer["fan_proportional_v"] == pytest.approx(7.129, abs=1e-3)
    assert answer["fan_square_v"] == pytest.approx(8.185, abs=1e-3)
    assert answer["fan_constant_v"] == pytest.approx(3.80, abs=1e-3)
    assert answer["dissipation_w"] == pytest.approx(0.820, abs=1e-3)
    assert answer["rating_w"] == 2.0


def test_a_wanted_speed_is_a_part_of_the_supply(capsys: Capture) -> None:
    by_speed = _answer(capsys, "fan --supply 12 --measured 12 0.1 7 0.05 --speed 58.333333")
    assert by_speed["answer"]["exact_measured_ohm"] == pytest.approx(100.0, rel=1e-4)


def test_from_a_resistor_to_the_rest(capsys: Capture) -> None:
    answer = _answer(capsys, "fan --supply 12 --measured 7 0.05 12 0.1 --resistor 33 23")
    # By hand, 56 ohm in all.
    assert answer["inputs"]["resistor_ohm"] == 56
    assert answer["answer"]["fan_measured_v"] == pytest.approx(8.41026, abs=1e-5)
    assert answer["answer"]["dissipation_w"] == pytest.approx(0.230112, abs=1e-6)
    assert answer["answer"]["rating_w"] == 0.5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            "fan --supply 12 --rated 12 0.1 --resistor 150 --start 6.5",
            (
                "The fan may get only 0 V, less than 6.5 V to start.",
                "must be SEEN to start from cold",
                # 12 V * 12 V / 150 ohm.
                "The resistor is hot at its dissipation, and hotter when the fan is stuck (up to",
                "0.96 W",
                "no smaller rating than the one above",
                "licensed people",
            ),
        ),
        # By hand for I ~ V^2: 24 - V = 10 * 0.1 (V / 12)^2 gives 20.95 V; for constant I 23 V.
        (
            "fan --supply 24 --rated 12 0.1 --resistor 10",
            ("may get 23 V, more than the 12 V it is rated for",),
        ),
        (
            "airflow --heat 100 --rise 10 --altitude 1500",
            ("Formula: Q = P / (rho cp dT)", "Source: heat balance of dry air", "m3/h", "1500 m"),
        ),
        ("life --from 50 --to 60 --bearing 50000 40", ("50000 h", "°C")),
        ("dew-point --temperature 25 --humidity 50 --surface 12", ("°C",)),
    ],
)
def test_people_read_what_matters(capsys: Capture, arguments: str, words: tuple[str, ...]) -> None:
    printed = _print(capsys, arguments)
    assert all(each in printed for each in words)
    assert "degC" not in printed
    # Powers of ten would have to be read twice.
    assert "e+0" not in printed


@pytest.mark.parametrize(
    ("arguments", "first"),
    [
        (
            "fan --supply 12 --rated 12 0.1 --voltage 7",
            [
                "Resistor: 82 ohm, or 82 + 3.6 ohm in series; rating: 2 W.",
                "The fan gets 3.8 V to 8.19 V: MAYBE TOO LITTLE to start (7 V, a guess).",
                "Flow: 59 % of full (32 % to 68 % by the other models); sound: -11.3 dB.",
            ],
        ),
        # A fan for 12 V needs as much to start on 5 V, and turns at full speed at 12 V of 24.
        (
            "fan --supply 5 --rated 12 0.1 --voltage 4",
            ["Resistor: ", "MAYBE TOO LITTLE to start (7 V, a guess).", "Flow: 8"],
        ),
        (
            "fan --supply 24 --rated 12 0.1 --voltage 12 --start 6",
            ["Resistor: 120 ohm", "enough to start (6 V).", "Flow: 100 % of full"],
        ),
        (
            "fan --supply 24 --rated 12 0.1 --resistor 10 --start 6",
            ["Resistor: 10 ohm in all; rating: 2 W.", "ABOVE ITS RATING", "Flow: "],
        ),
        ("airflow --heat 100 --rise 10", ["Flow: ", "Flow: ", "Flow: 17.49 ft3/min"]),
        ("life --from 50 --to 60", ["Life after over before, Arrhenius: 0.4702", "", ": 0.5"]),
        ("sound --speed 1200 700", ["Change of level: -11.7 dB"]),
        (
            "dew-point --temperature 25 --humidity 50 --surface 12",
            ["Dew point: 13.9 °C.", "1.9 K below it: water or frost forms there."],
        ),
        (
            "dew-point --temperature -5 --humidity 50 --surface 3",
            ["Frost point: -12.3 °C.", "The surface is 15.3 K above it."],
        ),
    ],
)
def test_the_answer_stands_in_the_first_three_lines_and_all_fits_a_terminal(
    capsys: Capture, arguments: str, first: list[str]
) -> None:
    assert main(["calc", *arguments.split()]) == 0
    printed = capsys.readouterr().out
    lines = printed.splitlines()
    assert max(map(len, lines)) <= 80
    working = lines.index("HOW THIS WAS WORKED OUT")
    assert working == len(first) + 1 <= 4
    for words, line in zip(first, lines, strict=False):
        assert words in plain(line)
    # In what people read; JSON keeps hyphen and plain blanks.
    assert typeset(printed) == printed
    assert main(["calc", *arguments.split(), "--json"]) == 0
    told = capsys.readouterr().out
    assert plain(told) == told


def test_airflow_there_and_back(capsys: Capture) -> None:
    there = _answer(capsys, "airflow --heat 100 --rise 10")["answer"]
    # 29.82 m3/h and 17.55 ft3/min with a density of 1.2 (arithmetic); within 1 %.
    assert there["flow_m3_h"] == pytest.approx(29.82, rel=0.01)
    assert there["flow_cfm"] == pytest.approx(17.55, rel=0.01)
    back = _answer(capsys, f"airflow --heat 100 --flow-cfm {there['flow_cfm']}")
    assert back["answer"]["rise_k"] == pytest.approx(10.0)
    back = _answer(capsys, f"airflow --heat 100 --flow-m3h {there['flow_m3_h']}")
    assert back["answer"]["rise_k"] == pytest.approx(10.0)


def test_life_as_ratios_and_of_rated_parts(capsys: Capture) -> None:
    answer = _answer(capsys, "life --from 55 --to 125 --capacitor 2000 105")["answer"]
    # JEDEC-style HTOL example: 78 (second-hand).
    assert answer["ageing_factor"] == pytest.approx(78, rel=0.005)
    assert answer["capacitor_from_h"] == pytest.approx(64_000)
    answer = _answer(capsys, "life --from 40 --to 60 --bearing 75000 40")["answer"]
    assert answer["bearing_10k_h"] == pytest.approx(33_333, rel=1e-4)  # Jamicon, note on fan life
    # EAO / Sanyo Denki: a factor of 2 every 15 K, 2.52 over 20 K.
    assert answer["bearing_15k_h"] == pytest.approx(75_000 / 2.52, rel=1e-3)


@pytest.mark.parametrize(
    ("arguments", "key", "value"),
    [
        ("--add 86 80", "level_db", 86.973),
        ("--mean 40:15m 30:45m", "level_db", 35.119),
        ("--background 45 42", "level_db", 41.979),
        ("--speed 1200 700", "change_db", -11.704),
    ],
)
def test_sound(capsys: Capture, arguments: str, key: str, value: float) -> None:
    # Sources: see the tests of thermal/sound.
    answer = _answer(capsys, f"sound {arguments}")["answer"]
    assert answer[key] == pytest.approx(value, abs=1e-3)


def test_dew_point_and_a_surface(capsys: Capture) -> None:
    answer = _answer(capsys, "dew-point --temperature 25 --humidity 50 --surface 12")
    # PsychroLib 2.5.0: 13.8640.
    assert answer["answer"]["dew_point_c"] == pytest.approx(13.864, abs=0.15)
    assert answer["answer"]["margin_k"] < 0
    assert any("water or frost forms" in note for note in answer["notes"])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ("fan --supply 12 --rated 12 0.1 --voltage 13", "between 0 and 12 V"),
        ("fan --supply 12 --rated 12 0.1 --speed 100", "can't bring a fan to 100 %"),
        ("fan --supply 230 --rated 12 0.1 --voltage 7", "no DC fan's"),
        ("fan --supply 12 --measured 12 0.05 7 0.1 --voltage 9", "draws less at 12 V"),
        ("fan --supply 12 --rated 12 0.1 --voltage 7 --start 12", "needs the whole supply"),
        ("fan --supply 12 --rated 12 9 --resistor 1", "no usual resistor"),
        ("fan --supply 12 --rated 12 0.1 --resistor 1e6", "so that it stands still; something"),
        ("fan --supply 12 --rated 12 0.1 --resistor 0.001", "slows no fan; something from 6.3 to"),
        ("fan --supply 12 --measured 12 0.1 7 0.05 --resistor 1e5", "it stands still; something"),
        ("fan --supply 24 --rated 5 0.2 --resistor 1e4", "something from 95 to 220 ohm"),
        ("airflow --heat 100 --rise 10 --altitude 30000", "altitude"),
        ("airflow --heat 100 --rise 10 --air 300", "beyond -40 to 90"),
        ("airflow --heat 1e308 --rise 1e-308", "beyond all numbers"),
        ("life --from 40 --to 50 --energy 7", "unheard of"),
        ("sound --background 40 45", "background"),
        ("dew-point --temperature 20 --humidity 130", "relative humidity"),
        ("dew-point --temperature 99 --humidity 30", "-40 to 60"),
    ],
)
def test_nonsense_is_refused_in_a_sentence(capsys: Capture, arguments: str, sentence: str) -> None:
    assert main(["calc", *arguments.split()]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert sentence in line


@pytest.mark.parametrize(
    "arguments",
    [
        "fan --supply nan --rated 12 0.1 --voltage 7",
        "airflow --heat -3 --rise 10",
        "life --from 40 --to -400",
        "sound --mean 40",
        "sound --mean 40:soon",
        "dew-point --temperature warm --humidity 40",
        "",
    ],
)
def test_what_is_no_number_is_refused_by_the_parser(capsys: Capture, arguments: str) -> None:
    assert main(["calc", *arguments.split()]) == 2
    assert "--help shows what it takes" in capsys.readouterr().err
