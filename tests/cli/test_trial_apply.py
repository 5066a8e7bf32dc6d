"""Setpoints written into a configuration change nothing else in the file."""

from pathlib import Path

from cabinetwatch.cli.trial_apply import apply_setpoints
from cabinetwatch.store.store import Store
from cabinetwatch.trial.figures import PhaseFigures, TrialFigures
from cabinetwatch.trial.setpoints import Setpoints

CONFIG = """\
# What came with the NAS.
[sensors.nas-air]
topic = "cabinet/nas/air"
quantity = "temperature"

[sensors.hall]
topic = "house/hall"
quantity = "temperature"

[devices.nas]
temperature = "nas-air"
ambient = "hall"
max_rise_k = 20.0  # by hand
"""


def test_a_file_with_windows_line_ends_keeps_them(tmp_path: Path, store: Store) -> None:
    path = tmp_path / "config.toml"
    before = CONFIG.replace("\n", "\r\n").encode()
    path.write_bytes(before)
    setpoints = Setpoints("nas", {"max_rise_k": 22.5})
    nothing = PhaseFigures()
    figures = TrialFigures("nas", nothing, nothing, "accept", (), setpoints=setpoints)

    assert apply_setpoints(path, store, figures) == 0

    assert path.read_bytes() == before.replace(b"20.0", b"22.5")
    (kept,) = tmp_path.glob("config.toml.before-*")
    assert kept.read_bytes() == before
