"""Labels and units for people."""

import doctest
import re

import pytest

from cabinetwatch.config.services import Site
from cabinetwatch.config.values import UNITS
from cabinetwatch.notify import words as labels
from cabinetwatch.notify.words import Figure, figures, label, written
from cabinetwatch.text import from_rfc3339, local_time, plain
from cabinetwatch.watch.conditions import CONDITIONS
from cabinetwatch.watch.devices import LABELS

SITE, DUBLIN = Site(), Site(timezone="Europe/Dublin")


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
        ("sound_dba", 31.26, "31.3 dB(A)"),
        ("airflow_m3_s", 0.0123, "0.0123 m³/s"),
        ("static_pressure_pa", 12.4, "12 Pa"),
        ("silence_s", 60, "1 min"),
        ("drift_horizon_days", 90, "90 d"),
        ("readings_lost", 12, "12"),
        ("off", False, "no"),
        ("fan_rpm", None, "unknown"),
        ("reason", "", "unknown"),
        ("reason", "refused", "refused"),
        ("powers", [1.5, None], "1.5, unknown"),
        ("channels", {"email": "no answer", "mqtt": "refused"}, "email: no answer; mqtt: refused"),
        ("channels", {}, "none"),
    ],
)
def test_a_figure_is_written_with_the_unit_of_its_key(key: str, value: object, shown: str) -> None:
    text = written(key, value, SITE)
    assert plain(text) == shown
    assert re.search(r"\d (?!min|s|h|d)", text) is None, "a number parted from its unit"
    assert "-" not in text, "a hyphen for a minus sign"


def test_a_sensors_value_and_limit_have_the_unit_of_its_quantity() -> None:
    values = {"value": 61.4, "quantity": "humidity", "high": 60.0, "since": "2026-07-01T12:00:00Z"}
    assert [Figure(label, plain(value)) for label, value in figures(values, SITE)] == [
        Figure("Humidity", "61 %"),
        Figure("Upper limit", "60 %"),
    ]


@pytest.mark.parametrize(
    ("sd_k", "shown"), [(0.561, "15.2 K ± 1.1 K"), (5.61, "15 K ± 11 K"), (None, "15.2 K")]
)
def test_where_it_settles_is_one_figure_with_its_95_percent(sd_k: float | None, shown: str) -> None:
    values = {"settled_rise_k": 15.2, "settled_rise_sd_k": sd_k}
    (figure,) = figures(values, SITE)
    assert (figure.label, plain(figure.value)) == ("Settling at", shown)
    assert " " not in figure.value


def test_instants_are_written_in_the_time_of_the_site() -> None:
    assert written("began", "2026-07-01T12:00:03.250Z", DUBLIN) == ("2026-07-01 13:00:03 IST")
    assert local_time(from_rfc3339("2026-01-01T12:00:00Z"), "Europe/Dublin").endswith("GMT")


def test_an_unknown_key_is_its_words_without_the_unit() -> None:
    assert label("exhaust_temperature_c") == "Exhaust temperature"
    assert label("_c") == "C"
    assert label("time_left_s") == "Time left"


def test_no_two_figures_of_one_device_have_the_same_label() -> None:
    known = [words for each in (LABELS, *(c.labels for c in CONDITIONS)) for words in each.values()]
    assert len(set(known)) == len(known)


def test_the_examples_in_the_module_are_true() -> None:
    result = doctest.testmod(labels)
    assert result.attempted >= 2
    assert result.failed == 0


def test_every_quantity_of_the_configuration_has_a_unit() -> None:
    for quantity in UNITS:
        (figure,) = figures({"value": 12.34, "quantity": quantity}, SITE)
        assert figure.label != "Value"
        assert figure.value.split()[1] in {"°C", "%", "W", "rpm", "dB"}
