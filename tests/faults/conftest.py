"""The same site as in the tests of the service, and a disk that can be filled."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.disk import FailingDisk, SmallDisk
from tests.service.conftest import cabinet, processes, site

__all__ = ["cabinet", "processes", "site"]


@pytest.fixture
def failing_disk(tmp_path: Path) -> Iterator[FailingDisk]:
    """A disk of 24 MB that can be made to fail, taken away at the end."""
    disk = FailingDisk(tmp_path / "disk")
    yield disk
    disk.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """A disk of 6 MB, freed and taken away at the end."""
    disk = SmallDisk(tmp_path / "disk")
    yield disk
    disk.close()
