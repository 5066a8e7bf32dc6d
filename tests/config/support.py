"""Short ways to a configuration, with conditions of the tests' own."""

from pathlib import Path

import pytest
from pydantic import Field

from cabinetwatch.config import AlarmSettings, ConditionSpec, Config, parse
from cabinetwatch.text import ConfigError


class TooWarm(AlarmSettings):
    """Settings of a device's condition with a key of its own."""

    priority: str | None = "high"
    on_delay_s: float = 60.0
    deadband_k: float = Field(1.0, description="the K, 0 or more, back from the setpoint")


class Quiet(AlarmSettings):
    """Settings of a sensor's condition."""


class Unplugged(AlarmSettings):
    """Settings of a site condition."""


CONDITIONS = (
    ConditionSpec("too-warm", "device", TooWarm),
    ConditionSpec("quiet", "sensor", Quiet),
    ConditionSpec("unplugged", "site", Unplugged),
)

SENSORS = """
[sensors.nas-air]
topic = "nas/air"
quantity = "temperature"
[sensors.hall-air]
topic = "hall/air"
quantity = "temperature"
[sensors.nas-power]
topic = "nas/power"
quantity = "power"
"""


def read(text: str, folder: Path = Path("/etc/nowhere")) -> Config:
    """Give the configuration that a text is."""
    return parse(text, folder / "config.toml", CONDITIONS)


def problems(text: str, folder: Path = Path("/etc/nowhere")) -> list[str]:
    """Give the sentences about a faulty text, without the file's name before each."""
    with pytest.raises(ConfigError) as caught:
        read(text, folder)
    start = f"{folder / 'config.toml'}: "
    assert all(sentence.startswith(start) for sentence in caught.value.problems)
    return [sentence.removeprefix(start) for sentence in caught.value.problems]


def problem(text: str, folder: Path = Path("/etc/nowhere")) -> str:
    """Give the one sentence about a text with one fault."""
    (sentence,) = problems(text, folder)
    return sentence
