"""The demonstration's configuration and trial, without its broker and mail server."""

from pathlib import Path
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
    with patch.object(story, "INTERVAL_S", float(EVERY_S)):
        return story.write_trial_record(path, start_utc_ms)
