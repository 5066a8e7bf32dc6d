"""Setpoints written into a configuration change nothing else in the file."""

import signal
from pathlib import Path

import pytest

from cabinetwatch.cli import trial as trial_apply
from cabinetwatch.cli.trial import apply_setpoints
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.store import Store
from cabinetwatch.trial.judgement import PhaseFigures, Setpoints, TrialFigures
from tests.service.conftest import cabinet, site
from tests.service.site import Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire
from tests.support.patience import WITHIN_S

# The watched cabinet of the service's tests serves here too.
__all__ = ["cabinet", "site"]

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


def test_a_watch_that_has_only_taken_its_lock_reads_them(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(trial_apply, "_READ_WITHIN_S", WITHIN_S)
    path = site.write()
    with running(path) as watch:
        cabinet.wait_online()
        assert watch.stop() == 0
    # The last word of the journal is now that stop.
    with running(path) as watch:
        wait_until(lambda: find_watch(site.config().store_path()) is not None, "the lock")
        with site.store() as store:
            assert apply_setpoints(path, store, FIGURES) == 0
        assert "The watch has read it." in capsys.readouterr().out
        assert watch.stop() == 0
