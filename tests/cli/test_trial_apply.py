"""Setpoints written into a configuration change nothing else in the file."""

import signal
from pathlib import Path

import pytest

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


FIGURES = TrialFigures(
    "nas",
    PhaseFigures(),
    PhaseFigures(),
    "accept",
    (),
    setpoints=Setpoints("nas", {"max_rise_k": 22.5}),
)


def test_a_file_with_windows_line_ends_keeps_them(tmp_path: Path, store: Store) -> None:
    path = tmp_path / "config.toml"
    before = CONFIG.replace("\n", "\r\n").encode()
    path.write_bytes(before)
    assert apply_setpoints(path, store, FIGURES) == 0

    assert path.read_bytes() == before.replace(b"20.0", b"22.5")
    (kept,) = tmp_path.glob("config.toml.before-*")
    assert kept.read_bytes() == before


def test_who_holds_the_store_and_is_no_watch_gets_no_signal(
    tmp_path: Path, store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text(CONFIG)
    sent: list[int] = []
    before = signal.signal(signal.SIGHUP, lambda number, _: sent.append(number))
    try:
        # It is this very process that has the store open for writing.
        assert apply_setpoints(path, store, FIGURES) == 0
    finally:
        signal.signal(signal.SIGHUP, before)
    assert sent == []
    assert "The watch is not running" in capsys.readouterr().out
