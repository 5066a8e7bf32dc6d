"""A damaged store is set aside and the watch goes on; what never was a store is refused."""

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from cabinetwatch.store.place import WriterLock
from tests.faults.house import TABLES, numbers_in, publish_numbers, swing, wait_mailed, wait_stored
from tests.service.site import NAS, Site
from tests.service.watching import running, wait_until, watching
from tests.service.wire import Wire, wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop

GARBAGE = b"\xa5"


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of a watch that has written some thousand readings and an alarm."""
    broker = Broker(tmp_path_factory.mktemp("broker")).start()
    site = Site(tmp_path_factory.mktemp("lived"), broker.port, tables=TABLES)
    with watching(site.config()), wire(broker.port) as cabinet:
        cabinet.wait_online()
        for start in range(0, 3000, 500):
            publish_numbers(cabinet, range(start, start + 500))
            wait_stored(site, range(start + 500))
        swing(cabinet)
    broker.stop()
    return site.folder / "watch.db"


@pytest.fixture
def path(site: Site, lived: Path) -> Path:
    """A copy of it in place of the site's own store."""
    site.tables = TABLES
    site.write()
    shutil.copy(lived, site.folder / "watch.db")
    return site.folder / "watch.db"


def page_bytes(whole: bytes) -> int:
    """Give the page size out of the header (https://www.sqlite.org/fileformat2.html, 1.3)."""
    return int.from_bytes(whole[16:18], "big")


def spoil_page_size(path: Path) -> None:
    """In the header: a page size that no database can have."""
    whole = path.read_bytes()
    path.write_bytes(whole[:16] + b"\x00\x07" + whole[18:])


def spoil_middle(path: Path) -> None:
    """A third of the file, in its middle, as a card that loses an erase block would."""
    whole = path.read_bytes()
    third = len(whole) // 3
    path.write_bytes(whole[:third] + GARBAGE * third + whole[2 * third :])


def spoil_schema(path: Path) -> None:
    """All but the header."""
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + GARBAGE * (len(whole) - 100))


def cut_short(path: Path) -> None:
    """The second half is missing."""
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])


def spoil_header(path: Path) -> None:
    """The header, so that nothing says any more that it is a database."""
    path.write_bytes(bytes(100) + path.read_bytes()[100:])


def spoil_all_but_the_lock(path: Path) -> None:
    """All of it, so that only the lock of the watch beside it says whose it was."""
    path.write_bytes(GARBAGE * len(path.read_bytes()))
    with WriterLock(path):
        pass


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_page_size,
        spoil_middle,
        spoil_schema,
        cut_short,
        spoil_header,
        spoil_all_but_the_lock,
    ],
)
def test_a_store_damaged_while_nothing_ran_is_set_aside_and_the_watch_goes_on(
    spoil: Callable[[Path], None],
    site: Site,
    path: Path,
    cabinet: Wire,
    caplog: pytest.LogCaptureFixture,
) -> None:
    spoil(path)
    damaged = path.read_bytes()
    with watching(site.config()):
        cabinet.wait_online()
        publish_numbers(cabinet, range(50))
        wait_until(lambda: has_all(site, range(50)), "the new numbers in the store")
        swing(cabinet)

    (aside,) = [each for each in path.parent.glob("watch.db.damaged-*") if is_database(each)]
    assert aside.read_bytes() == damaged
    assert f"it was set aside as {aside}" in caplog.text
    assert f"The store {path} is damaged" in caplog.text
    assert "Traceback" not in caplog.text


def has_all(site: Site, numbers: range) -> bool:
    return numbers_in(site) == dict.fromkeys(numbers, 1)


def is_database(path: Path) -> bool:
    return not path.name.endswith(("-wal", "-shm"))


@pytest.mark.parametrize("name", ["photo", "letter", "script", "locked", "database"])
def test_a_file_that_never_was_a_store_is_refused_in_one_sentence_and_left_untouched(
    name: str, site: Site
) -> None:
    path = site.folder / "watch.db"
    FOREIGN[name](path)
    before = {each: each.read_bytes() for each in site.folder.iterdir()}
    with running(site.write()) as watch:
        assert watch.wait() == 2

    (line,) = watch.log.splitlines()
    assert f"The file {path} is no store of cabinetwatch, or can't be recognised" in line
    after = {each: each.read_bytes() for each in site.folder.iterdir()}
    assert after == before | {each: each.read_bytes() for each in (site.path, watch.log_path)}


def write_photo(path: Path) -> None:
    """What a camera writes: the marker of JFIF, then bytes of all kinds."""
    path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + Random(7).randbytes(200_000))


def write_letter(path: Path) -> None:
    path.write_text("Dear neighbour, the table block under the stairs is too warm. " * 1000)


def write_script(path: Path) -> None:
    """Words of ours, in a text that makes tables of the same names."""
    names = ("block", "journal", "notice", "saved_state")
    path.write_text("\n".join(f"CREATE TABLE {name} (seq INTEGER);" for name in names) * 50)


def write_locked(path: Path) -> None:
    """A file of another program, which keeps its process in a lock beside it, as many do."""
    write_photo(path)
    path.with_name(path.name + ".lock").write_text("4711\n")


def write_database(path: Path) -> None:
    """A sound database of another program."""
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE block (seq INTEGER)")
        connection.commit()


FOREIGN: dict[str, Callable[[Path], None]] = {
    "photo": write_photo,
    "letter": write_letter,
    "script": write_script,
    "locked": write_locked,
    "database": write_database,
}


def test_damage_found_while_writing_is_told_and_the_watch_goes_on_with_a_new_store(
    site: Site, path: Path, cabinet: Wire, smtp: MailDrop
) -> None:
    spoil_index_of_alarms(path)
    with running(site.path, module="tests.faults.impatient") as watch:
        cabinet.wait_online()
        publish_numbers(cabinet, range(3000, 3050))
        wait_stored(site, range(3050))
        heard = len(cabinet.messages)
        # What can't be written is told from memory; then a new store is begun, and it is told anew.
        cabinet.publish(NAS, "55")
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged", after=heard)
        alarm = cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
        wait_mailed(smtp, alarm["id"])
        watch.wait_log("it was set aside as")
        cabinet.wait_online(after=heard)
        cabinet.publish_until(NAS, "56", "nas", "over-derating", "unacknowledged")
        publish_numbers(cabinet, range(50))
        wait_until(lambda: has_all(site, range(50)), "the new numbers in the store")
        assert watch.stop() == 0

    assert "is damaged" in fault["text"]
    (aside,) = [each for each in path.parent.glob("watch.db.damaged-*") if is_database(each)]
    assert count_blocks(aside) > 0


def spoil_index_of_alarms(path: Path) -> None:
    """Spoil what only a new alarm touches, so that a start sees nothing of it."""
    with closing(sqlite3.connect(path)) as connection:
        page: int = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'transition_by_occurrence'"
        ).fetchone()[0]
    whole = path.read_bytes()
    size = page_bytes(whole)
    path.write_bytes(whole[: (page - 1) * size] + GARBAGE * size + whole[page * size :])


def count_blocks(path: Path) -> int:
    """Count the blocks of readings that can still be read of a store that was set aside."""
    command = [sys.executable, "-c", _COUNT, str(path)]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


_COUNT = """
import sqlite3, sys
print(sqlite3.connect(sys.argv[1]).execute("SELECT count(*) FROM block").fetchone()[0])
"""
