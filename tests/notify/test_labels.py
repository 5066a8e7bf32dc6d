"""Labels and units for people."""

import re

import pytest

from cabinetwatch.notify.mail import label, written
from cabinetwatch.text import TemperatureUnit, plain
from cabinetwatch.watch.devices import LABELS


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("temperature_c", 61.249, "61.2 °C"),
        ("margin_k", -0.04, "0.0 K"),
        ("margin_k", -8.9, "-8.9 K"),
        ("power_w", 42.55, "42.5 W"),
        ("load_fraction", 0.714, "71 %"),
        ("min_fan_rpm", 900, "900 rpm"),
        ("thermal_resistance_k_per_w", 0.2614, "0.261 K/W"),
        ("silence_s", 60, "1 min"),
        ("off", False, "no"),
    ],
)
def test_a_figure_is_written_with_the_unit_of_its_key(key: str, value: float, shown: str) -> None:
    text = written(key, value, TemperatureUnit.CELSIUS)
    assert plain(text) == shown
    assert re.search(r"\d (?!min|s|h|d)", text) is None, "a number parted from its unit"
    assert "-" not in text, "a hyphen for a minus sign"


def test_an_unknown_key_is_its_words_without_the_unit() -> None:
    assert label("exhaust_temperature_c") == "Exhaust temperature"
    assert label("time_left_s") == "Time left"


def test_no_two_figures_of_one_device_have_the_same_label() -> None:
    assert len(set(LABELS.values())) == len(LABELS)
