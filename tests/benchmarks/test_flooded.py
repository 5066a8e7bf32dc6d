"""The full flood: memory stays bounded, and another sensor's alarms go on all the while."""

from pathlib import Path

import pytest

from cabinetwatch.mqtt import backlog as inbox
from cabinetwatch.mqtt.decoding import MOST_RECORDS
from tests.benchmarks.flooded import measure


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("records", [13_000, MOST_RECORDS])
def test_a_flood_of_packs_takes_little_memory_and_alarms_go_on(
    records: int, tmp_path: Path
) -> None:
    figures = measure(tmp_path, records, rate=20.0, seconds=30.0)
    # Payloads, what is made of a pack or two, and what the store has in hand. Without bounds it was
    # hundreds of megabytes, and no alarm came before the flood was over.
    assert figures["most_mb"] - figures["calm_mb"] < 10 * inbox.MOST_BYTES / 1e6
    assert figures["raises"] > 2
