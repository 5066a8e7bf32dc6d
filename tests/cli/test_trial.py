"""`trial report` after the fact: from a file that somebody has, in text, JSON and HTML."""

import csv
import io
import json
import re
from collections.abc import Callable
from contextlib import redirect_stdout
from functools import cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli import trial
from cabinetwatch.cli.main import main
from cabinetwatch.demo.story import INVENTED, Phases
from cabinetwatch.report.trial_case import Case, judge_case
from cabinetwatch.report.trial_page import html_of
from cabinetwatch.text import from_rfc3339, typeset
from cabinetwatch.trial.readings import Terms
from cabinetwatch.watch.conditions import load_config
from tests.cli.demonstration import CONFIGURATION, write_trial_record
from tests.support.fahrenheit import same, sentences_apart

START_MS = from_rfc3339("2026-05-29T08:00:00Z")

KEYS = {
    "device", "before", "after", "time_constant_s", "change_k", "change_ci95_k",
    "hot_day_temperature_c", "hot_day_margin_k", "life_factor", "life_factor_capacitor",
    "sound_change_db", "verdict", "reasons", "setpoints",
}  # fmt: skip
PHASE_KEYS = {"rise_k", "rise_ci95_k", "settled", "time_constant_s", "ambient_c", "samples"}


class Record:
    """A folder with a configuration and the demonstration's trial record."""

    def __init__(self, folder: Path, phases: Phases) -> None:
        self.folder = folder
        self.phases = phases
        self.csv = folder / "trial.csv"
        self.config = folder / "config.toml"

    def arguments(self, **changes: str) -> list[str]:
        """Give the arguments of a report, with some changed."""
        options = {
            "device": "nas",
            "before": self.phases.before,
            "after": self.phases.after,
            "recording": str(self.csv),
        } | changes
        words = [word for key, value in options.items() for word in (f"--{key}", value)]
        return ["trial", "report", "--config", str(self.config), *words]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Record:
    folder = tmp_path_factory.mktemp("trial")
    phases = write_trial_record(folder / "trial.csv", START_MS)
    (folder / "config.toml").write_text(CONFIGURATION)
    return Record(folder, phases)


Report = Callable[..., dict[str, Any]]


@pytest.fixture(scope="module")
def report(record: Record) -> Report:
    """Run a report as JSON; the same one is run once."""

    @cache
    def run(*more: str, status: int | None = None, **changes: str) -> dict[str, Any]:
        out = io.StringIO()
        with redirect_stdout(out):
            got = main([*record.arguments(**changes), "--json", *more])
        assert got in ({0, 1} if status is None else {status})
        answer: dict[str, Any] = json.loads(out.getvalue())
        return answer

    return run


def test_the_record_of_the_demonstration_says_that_it_is_invented(record: Record) -> None:
    with record.csv.open() as file:
        first = next(csv.DictReader(file))
    assert first["remark"] == INVENTED
    assert "invented" in INVENTED


def test_a_slowed_fan_is_warmer_shorter_lived_and_quieter(report: Report) -> None:
    answer = report(status=1)
    assert answer.keys() == KEYS
    assert answer["before"].keys() == answer["after"].keys() == PHASE_KEYS
    assert answer["change_ci95_k"][0] > 1.0
    assert answer["life_factor"] < 1.0
    assert answer["life_factor_capacitor"] < 1.0
    # 50 lg 0.8, by the fan law.
    assert answer["sound_change_db"] == pytest.approx(-4.85, abs=0.2)
    assert answer["verdict"] == "reject"
    assert answer["setpoints"] is None
    # The cabinet in which it stands counts on the hottest day.
    assert answer["hot_day_temperature_c"] > 32.0 + answer["after"]["rise_k"] + 2.0
    assert any("of cabinet" in reason for reason in answer["reasons"])


def test_a_recording_gives_what_the_csv_gives(record: Record, report: Report) -> None:
    path = record.folder / "trial.jsonl"
    topics = {"hall-air", "cabinet-air", "nas-air", "nas-power"}
    with record.csv.open() as file, path.open("w") as out:
        for row in csv.DictReader(file):
            if row["sensor"] in topics:
                out.write(json.dumps(_message(row)) + "\n")
    from_csv, from_recording = report(status=1), report(recording=str(path))
    for key in ("change_k", "time_constant_s", "after"):
        assert from_recording[key] == from_csv[key]
    # The cabinet's power is wanting in the recording, so its rise is at no known load.
    assert from_recording["hot_day_margin_k"] == pytest.approx(
        from_csv["hot_day_margin_k"], abs=0.1
    )


def _message(row: dict[str, str]) -> dict[str, str]:
    value = row["value"]
    topic, payload = {
        "hall-air": ("house/hall", f'{{"temperature": {value}}}'),
        "cabinet-air": ("house/cabinet/air", value),
        "nas-air": ("house/cabinet/nas", f'{{"temperature": {value}}}'),
        "nas-power": ("house/cabinet/nas", f'{{"plug": {{"power": {value}}}}}'),
    }[row["sensor"]]
    return {"time": row["time"], "topic": topic, "payload": payload}


def test_without_two_usable_phases_no_row_of_dashes_is_shown(
    record: Record, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record.folder / "nothing.html"
    late = "2026-06-29T11:15:00Z/PT4H"
    assert main([*record.arguments(after=late), "--html", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "What follows: nothing" in shown
    assert "Hot-day margin" not in shown
    assert "two phases that can be used" in path.read_text()


def test_a_trial_without_phases_has_no_empty_table_of_them(
    record: Record, capsys: pytest.CaptureFixture[str]
) -> None:
    case = Case("slow-fan", "nas", "fan at 7 V", load_config(record.config), {}, {})
    figures = judge_case(case, Terms())
    trial._show(case, figures)
    for shown in (capsys.readouterr().out, html_of(case, figures).decode()):
        assert "There is no before phase yet." in shown
        assert "Settling at" not in shown
        assert "The phases" not in shown


def test_a_fault_code_that_comes_a_few_times_changes_nothing(
    record: Record, report: Report
) -> None:
    path = record.folder / "faults.csv"
    with record.csv.open() as file, path.open("w", newline="") as out:
        rows = csv.DictReader(file)
        writer = csv.DictWriter(out, rows.fieldnames or [])
        writer.writeheader()
        for row in rows:
            if row["time"].startswith("2026-05-29T13:1"):
                # A probe's value at power-on, ten minutes long, and a driver's without a probe.
                row["value"] = {"nas-air": "85.0", "cabinet-air": "-127.0"}.get(
                    row["sensor"], row["value"]
                )
            writer.writerow(row)
    sound, faulty = report(status=1), report(status=1, recording=str(path))
    assert faulty["verdict"] == "reject"
    assert faulty["change_k"] == pytest.approx(sound["change_k"], abs=0.3)
    assert not any("cover" in reason for reason in faulty["reasons"])


def test_other_terms_give_another_verdict(report: Report, record: Record) -> None:
    cooler = record.folder / "cooler.toml"
    text = record.config.read_text().replace("design_ambient_c = 32.0", "design_ambient_c = 27.0")
    cooler.write_text(text)
    assert report("--accept-margin", "1", config=str(cooler))["verdict"] == "accept"
    asked_more = report(config=str(cooler))
    assert asked_more["verdict"] == "watch"
    assert "normal_rise_k" in asked_more["setpoints"]
    with_setpoints = record.folder / "set.toml"
    stanza = asked_more["setpoints"].split("\n", 1)[1].replace("max_rise_k", "# max_rise_k")
    with_setpoints.write_text(text.replace("[devices.nas]\n", f"[devices.nas]\n{stanza}", 1))
    assert report(config=str(with_setpoints))["change_k"] == asked_more["change_k"]


class _Outside(HTMLParser):
    """Collects everything that a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in {"src", "href", "xlink:href"} and not (value or "").startswith("#"):
                self.fetched.append(f"{tag} {name}={value}")


def test_terminal_and_page_show_verdict_reasons_and_cautions_and_need_nothing_from_elsewhere(
    record: Record, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record.folder / "report.html"
    main([*record.arguments(), "--html", str(path)])
    shown = capsys.readouterr().out
    for words in (
        "VERDICT: reject",
        "CAUTION: This is no smoke alarm",
        "Hot-day margin",
        str(path),
    ):
        assert words in shown
    text = path.read_text()
    outside = _Outside()
    outside.feed(text)
    assert outside.fetched == []
    assert "script" not in outside.tags
    assert outside.tags.count("svg") == 3
    ids = re.findall(r'\bid="([^"]*)"', text)
    assert len(ids) == len(set(ids))
    for words in ("no smoke alarm", "licensed people", "before", "after", "reject", "Rise above"):
        assert words in text


def test_verdict_two_reasons_and_the_bar_come_first_and_all_fits_a_terminal(
    record: Record, capsys: pytest.CaptureFixture[str], report: Report
) -> None:
    main(record.arguments())
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines())) <= 80
    assert typeset(printed) == printed
    top, _, working = printed.partition("\nHOW THIS WAS WORKED OUT\n")
    assert top.startswith("VERDICT: reject")
    assert top.count("\n  - ") == 2
    # What it rests on is all there, but below.
    flat = " ".join(printed.split())
    assert all(" ".join(typeset(reason).split()) in flat for reason in report(status=1)["reasons"])
    assert top.count("±") == 1
    # The bar is the sum: as long as its parts, and the threshold lies within it.
    bar, threshold, legend = top.splitlines()[-3:]
    assert re.fullmatch(r"=+\++#+ [\d.]+\xa0°C", bar)
    hot_c = float(bar.split()[1].split()[0])
    letters = bar.split()[0]
    place_c = (threshold.index("^") + 1) / len(letters) * hot_c
    told_c = float(threshold.split()[2])
    assert place_c == pytest.approx(told_c, abs=hot_c / len(letters))
    assert letters.count("=") / len(letters) * hot_c == pytest.approx(32.0, abs=1.0)
    assert "outside" in legend
    # The zone is said once, on times that are local.
    assert printed.count("Europe/Dublin") == 1
    assert "29 May 09:00" in working
    assert "UTC" not in printed


def test_words_from_outside_are_escaped_on_the_page(record: Record, tmp_path: Path) -> None:
    hostile = tmp_path / "config.toml"
    text = record.config.read_text().replace('name = "NAS"', 'name = "<script>alert(1)</script>"')
    hostile.write_text(text)
    path = tmp_path / "report.html"
    main([*record.arguments(config=str(hostile)), "--html", str(path)])
    assert "<script>" not in path.read_text()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"device": "toaster"}, "no device 'toaster'"),
        ({"before": "2026-05-29T11:15:00Z/PT4H", "after": "2026-05-29T08:00:00Z/PT3H"}, "exchange"),
        ({"after": "2026-05-29T10:00:00Z/PT4H"}, "overlap"),
        ({"after": "2026-05-29T12:00:00Z/2026-05-29T12:00:00Z"}, "later end"),
        ({"after": "2026-05-29T13:00:00Z/2026-05-29T12:00:00Z"}, "later end"),
        ({"zero": "2026-05-29T08:30:00Z/PT1H"}, "overlap"),
        ({"recording": "/nowhere/x.csv"}, "can't be read"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(
    record: Record, capsys: pytest.CaptureFixture[str], changes: dict[str, str], says: str
) -> None:
    assert main([*record.arguments(**changes), "--json"]) == 2
    told = capsys.readouterr()
    assert says in told.err
    assert len(told.err.splitlines()) == 1
    assert told.out == ""


@pytest.mark.parametrize(
    "changes",
    [
        {"after": "2026-06-29T11:15:00Z/PT4H"},
        {"after": "2026-05-29T11:15:00Z/PT2M"},
        {"after": "2026-05-29T11:15:00Z/PT80S"},
        {"before": "2026-05-29T07:00:00Z/PT61M"},
    ],
)
def test_a_phase_that_tells_nothing_is_undecided(report: Report, changes: dict[str, str]) -> None:
    answer = report(status=0, **changes)
    assert answer["verdict"] == "undecided"
    assert answer["setpoints"] is None
    assert answer["reasons"]


def test_a_report_in_fahrenheit_agrees_with_its_twin(
    record: Record, report: Report, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "config.toml"
    config.write_text(f'[site]\ntemperature_unit = "degF"\n{CONFIGURATION.partition("[site]")[2]}')
    twins = [record.arguments(), record.arguments(config=str(config))]
    texts, pages = [], []
    for arguments in twins:
        main([*arguments, "--html", str(tmp_path / "report.html")])
        texts.append(capsys.readouterr().out)
        pages.append((tmp_path / "report.html").read_text())
    assert same(*texts) > 15
    pictures = re.findall("(?s)<svg.*?</svg>", pages[1])
    assert len(pictures) == 3
    assert all("°F" in unescape(picture) for picture in pictures)
    assert not any(re.search(r"°C|>K<|\dK\b", unescape(picture)) for picture in pictures)
    assert same(*(re.sub("(?s)<svg.*?</svg>", "", page) for page in pages)) > 15
    answers = sentences_apart(report(status=1), report(status=1, config=str(config)))
    assert json.dumps(answers[0]) == json.dumps(answers[1])
