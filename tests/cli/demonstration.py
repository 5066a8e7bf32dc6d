"""The demonstration's configuration and trial, without its broker and mail server."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from cabinetwatch.demo import story
from cabinetwatch.demo.story import Phases, configuration_text

EVERY_S = 60
"""What a trial shows, it shows by a reading a minute as well."""
CONFIGURATION = configuration_text(
    broker_host="127.0.0.1", broker_port=1883, mail_host="127.0.0.1", mail_port=25
).replace("interval_s = 10", f"interval_s = {EVERY_S}")


def write_trial_record(path: Path, start_utc_ms: int) -> Phases:
    """Write the demonstration's trial with a reading a minute."""
    text, phases = _trial_record(start_utc_ms)
    path.write_text(text)
    return phases


@cache
def _trial_record(start_utc_ms: int) -> tuple[str, Phases]:
    """Give its text as well; what is simulated once serves every test."""
    with TemporaryDirectory() as folder, patch.object(story, "INTERVAL_S", float(EVERY_S)):
        path = Path(folder) / "trial.csv"
        phases = story.write_trial_record(path, start_utc_ms)
        return path.read_text(), phases
