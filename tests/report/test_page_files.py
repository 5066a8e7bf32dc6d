"""Files that are replaced while somebody reads them, and writers that are killed."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cabinetwatch.report.page import write_atomically
from tests.report.serving import write_page
from tests.service.watching import wait_until
from tests.support.house import House

_WRITER = """
import sys
from pathlib import Path
from cabinetwatch.report.page import write_atomically
while True:
    for letter in b"ab":
        write_atomically(Path(sys.argv[1]), bytes([letter]) * 300_000)
"""
_WHOLE = {b"a" * 300_000, b"b" * 300_000}


def test_a_writer_that_is_killed_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "index.html"
    for kill_after in range(1, 9):
        writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(path)])
        try:
            seen: set[int] = set()
            wait_until(lambda: _sees(path, seen) > kill_after, "pages to be written")  # noqa: B023
        finally:
            writer.kill()
            writer.wait()
        assert path.read_bytes() in _WHOLE


def _sees(path: Path, seen: set[int]) -> int:
    """Read the file, whole, and count how many of them there have been."""
    if path.exists():
        with path.open("rb") as file:
            seen.add(os.fstat(file.fileno()).st_mtime_ns)
            assert file.read() in _WHOLE
    return len(seen)


def test_what_a_killed_writer_left_is_dropped_once_nobody_can_be_at_it(
    house: House, tmp_path: Path
) -> None:
    folder = tmp_path / "page"
    (folder / "charts").mkdir(parents=True)
    left = [folder / ".index.new", folder / "charts" / ".gear-0-6h.new"]
    fresh = folder / ".busy.new"
    for path in (*left, fresh):
        path.write_text("half")
    for path in left:
        os.utime(path, (time.time() - 3600,) * 2)
    write_page(house, folder)
    assert [path.exists() for path in (*left, fresh)] == [False, False, True]


def test_where_a_file_can_not_be_written_the_old_one_stays_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "index.html"
    write_atomically(path, b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fchmod", full)
    with pytest.raises(OSError, match="No space left"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
