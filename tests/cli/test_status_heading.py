"""status: where each device is heading, what is normal, and how far learning is."""

import json
from pathlib import Path

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.configuration import load
from tests.cli.recorded_day import keep, run, write_config
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    path = write_config(tmp_path, HOUSE + COMMISSIONED)
    world = World(load(path), every_s=10)
    world.lives(2 * HOUR)
    keep(path, world)
    return path


def test_json_has_the_figures_under_their_public_names(stored: Path) -> None:
    figures = json.loads(run(stored, "status", "--json")[1])["devices"]["nas"]
    assert figures["settled_rise_k"] == pytest.approx(10.0, abs=0.6)
    assert figures["normal_rise_k"] == pytest.approx(10.0, abs=0.2)
    assert figures["resistance_k_per_w"] == pytest.approx(0.25, abs=0.02)
    assert figures["time_constant_s"] == 900.0
    assert figures["hot_day_temperature_c"] == pytest.approx(45.0, abs=0.6)
    assert figures["hot_day_margin_k"] == pytest.approx(
        figures["threshold_c"] - figures["hot_day_temperature_c"], abs=0.01
    )
    assert set(figures["learning"]) >= {"stage", "since", "loads_w", "confidence", "remarks"}
    assert figures["learning"]["stage"] == "commissioned"


def test_people_read_heading_with_its_doubt_normal_and_hot_day(stored: Path) -> None:
    out = run(stored, "status")[1]
    heading = next(line for line in out.splitlines() if "±" in line)
    assert heading.startswith("NAS")
    assert "NAS: its normal rise is the one given in the configuration." in out


def test_before_anything_is_learnt_it_says_so(tmp_path: Path) -> None:
    path = write_config(tmp_path, HOUSE)
    world = World(load(path))
    world.lives(HOUR)
    keep(path, world)
    out = run(path, "status")[1]
    assert "NAS: has been learning its normal rise for 58 min; lost cooling" in plain(out)


def test_a_device_without_ambient_says_what_that_means(tmp_path: Path) -> None:
    path = write_config(tmp_path, HOUSE.replace('ambient = "hall"\n', ""))
    world = World(load(path))
    world.lives(HOUR)
    keep(path, world)
    assert (
        "NAS: no sensor of the surrounding air, so only its temperature is watched."
        in run(path, "status")[1]
    )
