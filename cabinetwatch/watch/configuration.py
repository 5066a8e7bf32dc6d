"""Loading a configuration together with the keys of every condition."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cabinetwatch import config
from cabinetwatch.config.model import Config
from cabinetwatch.watch import conditions


def load(path: Path) -> Config:
    """Read and check a configuration file.

    Raises:
        ConfigError: with one sentence for each fault in it.
    """
    return config.load(path, conditions.SPECS)


def load_for_mail(path: Path) -> Config:
    """Read what it takes to send a mail, whatever else is faulty in the file.

    Raises:
        ConfigError: not even that can be read.
    """
    return config.load_for_mail(path, conditions.SPECS)


def restore(journaled: Mapping[str, Any], source: str = "the journal's configuration") -> Config:
    """Rebuild a configuration from the journal; a fault is told of `source`.

    Raises:
        ConfigError: this version no longer understands it.
    """
    return config.from_json(journaled, conditions.SPECS, source)
