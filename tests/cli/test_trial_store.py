"""A trial out of the store: fitted once, and when its time was pruned spared, or let go."""

import csv
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.demo.story import Phases
from cabinetwatch.report.trial_case import Case, judge_case, with_stored_readings
from cabinetwatch.report.trial_page import draw_charts
from cabinetwatch.store import upkeep as spared
from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import StoreFollower, pack_state
from cabinetwatch.store.store import Store
from cabinetwatch.text import from_rfc3339
from cabinetwatch.trial.fit import Settling, settle
from cabinetwatch.trial.readings import Profile, Terms
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.cli.demonstration import CONFIGURATION, write_trial_record
from tests.store.upkeep import tidied
from tests.support.empty_store import put_empty_store

START_MS = from_rfc3339("2026-05-29T08:00:00Z")
CHANGE_MS = from_rfc3339("2026-05-29T11:00:00Z")
AFTER_MS = from_rfc3339("2026-05-29T11:15:00Z")
END_MS = from_rfc3339("2026-05-29T15:15:00Z")
LATER_MS = END_MS + 40 * DAY_MS
FIRST_MS = START_MS - 60_000


class House:
    """A configuration, and a store with the demonstration's trial, told or not, 40 days ago."""

    def __init__(self, folder: Path, *, is_told: bool, is_open: bool = False) -> None:
        self.path = folder / "config.toml"
        text = CONFIGURATION.replace("[store]\n", "[store]\nkeep_raw_days = 5\n", 1)
        self.path.write_text(text)
        self.config = load_config(self.path)
        self.phases = write_trial_record(folder / "trial.csv", START_MS)
        put_empty_store(self.config.store.url)
        with Store.open(self.config.store.url) as store:
            self._live(store, folder / "trial.csv", _deeds() if is_told else [], is_open)

    def _live(self, store: Store, record: Path, deeds: list[Entry], is_open: bool) -> None:
        config = Entry(FIRST_MS, EntryKind.CONFIG, {"config": self.config.as_json()})
        start = Entry(FIRST_MS, EntryKind.START, {"offset_ms": 0, "boot_ms": 0})
        readings = _readings(record)
        # The sort keeps what is told before what is read in the same instant.
        told: list[Reading | Entry] = [config, start, *deeds[: -1 if is_open else None], *readings]
        told.sort(key=lambda item: item.t)
        for i in range(0, len(told), 600):
            store.commit(Batch(told[min(i + 600, len(told)) - 1].t, 0, told[i : i + 600]))
        if is_open:
            return
        store.commit(Batch(LATER_MS, 0, [Reading("nas-air", LATER_MS, 30.0)]))
        store.commit(Batch(LATER_MS, 0, state=pack_state(StoreFollower(store).engine())))
        tidied(store, LATER_MS)

    @classmethod
    def copy(cls, built: "House", folder: Path) -> "House":
        """Give one of its own to a test that prunes it."""
        for file in built.path.parent.iterdir():
            shutil.copy(file, folder)
        made = cls.__new__(cls)
        made.path = folder / built.path.name
        made.config, made.phases = load_config(made.path), built.phases
        return made

    def prune(self) -> None:
        assert main(["prune", "--config", str(self.path)]) == 0
        with Store.open(self.config.store.url, read_only=True) as store:
            gone_ms = store.raw_gone_before()
        assert gone_ms is not None
        assert gone_ms > END_MS


def _deeds() -> list[Entry]:
    def deed(t: int, **command: str) -> Entry:
        return Entry(t, EntryKind.COMMAND, {"trial": "slow-fan"} | command)

    return [
        deed(START_MS, command="trial-begin", device="nas", change="fan at 7 V"),
        deed(START_MS, command="trial-phase", phase="before"),
        deed(CHANGE_MS, command="trial-phase", phase="change"),
        deed(AFTER_MS, command="trial-phase", phase="after"),
        deed(END_MS, command="trial-end"),
    ]


def _readings(record: Path) -> list[Reading]:
    config_units = {"nas-fan": 1 / 60}
    with record.open() as file:
        return [
            Reading(
                row["sensor"],
                from_rfc3339(row["time"]),
                float(row["value"]) * config_units.get(row["sensor"], 1.0),
            )
            for row in csv.DictReader(file)
        ]


@pytest.fixture(scope="module")
def built_told(tmp_path_factory: pytest.TempPathFactory) -> House:
    return House(tmp_path_factory.mktemp("told"), is_told=True)


@pytest.fixture(scope="module")
def built_untold(tmp_path_factory: pytest.TempPathFactory) -> House:
    return House(tmp_path_factory.mktemp("untold"), is_told=False)


@pytest.fixture
def told(built_told: House, tmp_path: Path) -> House:
    """A house whose trial was told."""
    return House.copy(built_told, tmp_path)


@pytest.fixture
def untold(built_untold: House, tmp_path: Path) -> House:
    """A house with the same readings, of which nobody was told that they are a trial."""
    return House.copy(built_untold, tmp_path)


def _report(house: House, capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    capsys.readouterr()
    status = main(["trial", "report", "--config", str(house.path), "--json", *arguments])
    told = capsys.readouterr()
    assert status in {0, 1}, told.err
    answer: dict[str, Any] = json.loads(told.out)
    return answer


def _intervals(phases: Phases) -> list[str]:
    return ["--device", "nas", "--before", phases.before, "--after", phases.after]


def test_a_told_trial_gives_the_same_figures_after_its_time_was_pruned(
    told: House, capsys: pytest.CaptureFixture[str]
) -> None:
    fresh = _report(told, capsys, "slow-fan")
    assert fresh["verdict"] == "reject"
    told.prune()
    assert _report(told, capsys, "slow-fan") == fresh
    by_intervals = _report(told, capsys, *_intervals(told.phases))
    for key in ("before", "after", "change_k", "hot_day_margin_k", "verdict"):
        assert by_intervals[key] == fresh[key]


def test_an_open_trial_is_fitted_once_for_all_that_is_shown_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fitted = []

    def counted(profile: Profile) -> Settling:
        fitted.append(profile)
        return settle(profile)

    monkeypatch.setattr("cabinetwatch.trial.phases.settle", counted)
    house = House(tmp_path, is_told=True, is_open=True)
    page = tmp_path / "report.html"
    assert "reject" in _report(house, capsys, "slow-fan", "--html", str(page))["verdict"]
    # Before, after and its beginning, and the cabinet around the NAS; drawn twice, with the sum of
    # the hottest day.
    assert page.read_text().count("<svg") == 3
    assert 0 < len(fitted) <= 4
    fitted.clear()
    main(["status", "--config", str(house.path)])
    assert "The after phase has settled" in capsys.readouterr().out
    assert len(fitted) == 2


def _check_let_go(answer: dict[str, Any]) -> None:
    assert answer["verdict"] == "undecided"
    assert answer["setpoints"] is None
    for phase in ("before", "after"):
        pattern = f"The {phase} phase can't be judged any more.*were deleted.*up to a week of each"
        assert any(re.match(pattern, reason) for reason in answer["reasons"])
    assert not any("has no reading" in reason for reason in answer["reasons"])


def test_what_was_let_go_is_said_to_have_been_let_go(
    untold: House, capsys: pytest.CaptureFixture[str]
) -> None:
    untold.prune()
    _check_let_go(_report(untold, capsys, *_intervals(untold.phases)))


def test_a_told_trial_outlived_by_none_of_its_readings_says_so(
    told: House, capsys: pytest.CaptureFixture[str]
) -> None:
    # Minutes, and with them a trial's readings, for 20 days only.
    short = "keep_raw_days = 5\nkeep_minutes_days = 20\n"
    told.path.write_text(told.path.read_text().replace("keep_raw_days = 5\n", short))
    told.prune()
    _check_let_go(_report(told, capsys, "slow-fan"))


def test_a_sensor_that_was_silent_in_a_spared_phase_is_still_called_silent(
    told: House, capsys: pytest.CaptureFixture[str]
) -> None:
    told.prune()
    late = "2026-05-29T15:00:00Z/PT3H"
    answer = _report(
        told, capsys, "--device", "nas", "--before", told.phases.before, "--after", late
    )
    assert any("the sensor was silent" in reason for reason in answer["reasons"])


def test_a_phase_that_lasted_for_longer_than_is_spared_says_so(
    told: House, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # A week of readings would take a minute to write: here the week is an hour.
    monkeypatch.setattr(spared, "LONGEST_PROTECTED_MS", 3_600_000)
    told.prune()
    _check_let_go(_report(told, capsys, "slow-fan"))


def test_what_was_read_between_the_phases_is_for_the_picture_alone(untold: House) -> None:
    plain = Case(
        title="nas",
        device="nas",
        change="",
        config=untold.config,
        intervals={"before": (START_MS, CHANGE_MS), "after": (AFTER_MS, END_MS)},
        readings={},
    )
    with Store.open(untold.config.store.url, read_only=True) as store:
        case = with_stored_readings(plain, store)
    for sensor in ("nas-air", "cabinet-air"):
        between_ms = case.between[sensor].t_ms
        # The cover was off for a quarter of an hour.
        assert between_ms[0] >= CHANGE_MS
        assert between_ms[-1] < AFTER_MS
        assert len(between_ms) >= 14
        of_phases_ms = case.readings[sensor].t_ms
        assert not ((of_phases_ms >= CHANGE_MS) & (of_phases_ms < AFTER_MS)).any()
    figures = judge_case(case, Terms())
    assert figures == judge_case(replace(case, between={}), Terms())
    # The line of the picture breaks where nothing is known.
    assert _breaks(draw_charts(case, figures)) < _breaks(
        draw_charts(replace(case, between={}), figures)
    )


def _breaks(drawn: list[tuple[str, str]]) -> int:
    """How often the pen is lifted in the picture of the temperatures."""
    title, svg = drawn[0]
    assert title == "Temperature"
    return svg.count("M ")
