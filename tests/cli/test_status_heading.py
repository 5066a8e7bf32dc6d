"""status: where each device is heading, what is normal, and how far learning is."""

import json
import re
from pathlib import Path

import pytest

from cabinetwatch.text import plain
from tests.cli.recorded_day import keep, run, write_config
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, MINUTE, World, make_config


def lived(folder: Path, text: str, hours: int = 1, every_s: int = 30) -> Path:
    """Give the configuration of a house that has lived for so long."""
    world = World(make_config(text), every_s=every_s)
    world.lives(hours * HOUR)
    path = write_config(folder, text)
    keep(path, world)
    return path


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Only to be read."""
    return lived(tmp_path_factory.mktemp("stored"), HOUSE + COMMISSIONED, 2, 10)


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


def test_until_anything_is_known_of_where_a_device_is_heading_no_figure_is_shown(
    tmp_path: Path,
) -> None:
    world = World(make_config(HOUSE))
    world.power_w = 4.0
    world.lives(2 * MINUTE)
    path = write_config(tmp_path, HOUSE)
    keep(path, world)
    assert json.loads(run(path, "status", "--json")[1])["devices"]["nas"]["settled_rise_sd_k"] > 2.0
    out = run(path, "status")[1]
    assert "±" not in out
    assert re.search(r"NAS +- +-", out[out.index("Settling at") :])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HOUSE, "NAS: has been learning its normal rise for 5\\d min; lost cooling"),
        (
            HOUSE.replace('ambient = "hall"\n', ""),
            "NAS: no sensor of the surrounding air, so only its temperature is watched.",
        ),
    ],
    ids=["nothing learnt", "no ambient"],
)
def test_before_anything_is_learnt_it_says_so_and_so_it_does_where_nothing_can_be(
    tmp_path: Path, text: str, said: str
) -> None:
    assert re.search(said, plain(run(lived(tmp_path, text), "status")[1]))
