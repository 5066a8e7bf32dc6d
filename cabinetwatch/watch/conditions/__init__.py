"""All conditions. A new one is a class in one of the modules here, and its place in this order."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cabinetwatch.config import from_json, load, load_for_mail
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.conditions.forecast import DeratingForecast, Drift, HotDay
from cabinetwatch.watch.conditions.heat import (
    BoundTestCondition,
    CoolingLoss,
    FanSlow,
    OverDerating,
    OverRise,
    RiseMissing,
)
from cabinetwatch.watch.conditions.sensor import (
    AmbientLost,
    Condensation,
    High,
    Implausible,
    Low,
    Silent,
    Stuck,
)
from cabinetwatch.watch.conditions.site import (
    BrokerLost,
    ClockStep,
    InputRefused,
    NoticeUndelivered,
    SessionTaken,
    StoreFault,
)

CONDITIONS: tuple[type[Condition], ...] = (
    OverDerating,
    FanSlow,
    CoolingLoss,
    DeratingForecast,
    OverRise,
    RiseMissing,
    HotDay,
    Drift,
    High,
    Low,
    Condensation,
    AmbientLost,
    Silent,
    Stuck,
    Implausible,
    SessionTaken,
    BrokerLost,
    StoreFault,
    NoticeUndelivered,
    InputRefused,
    ClockStep,
)
"""In the order in which alarms of one instant are told: the most urgent first."""

SPECS = tuple(condition.spec() for condition in CONDITIONS)
"""What the configuration must know of them."""


def load_config(path: Path) -> Config:
    """Read and check a configuration file.

    Raises:
        ConfigError: with one sentence for each fault in it.
    """
    return load(path, SPECS)


def load_config_for_mail(path: Path) -> Config:
    """Read what it takes to send a mail, whatever else is faulty in the file.

    Raises:
        ConfigError: not even that can be read.
    """
    return load_for_mail(path, SPECS)


def restore_config(
    journaled: Mapping[str, Any], source: str = "the journal's configuration"
) -> Config:
    """Rebuild a configuration from the journal; a fault is told of `source`.

    Raises:
        ConfigError: this version no longer understands it.
    """
    return from_json(journaled, SPECS, source)


def named(name: str) -> type[Condition] | None:
    """Give the condition of a name; None for one that this version doesn't know."""
    return next((condition for condition in CONDITIONS if condition.name == name), None)


def observer_rates(config: Config, device_id: str) -> dict[str, float]:
    """Give the rates of false alarms that a device's observer is made for, by its names of them."""
    return {
        condition.observer_key: condition.rate(config, device_id)
        for condition in CONDITIONS
        if issubclass(condition, BoundTestCondition)
    }
