"""A damaged store is set aside and the watch goes on; what never was a store is refused."""

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from cabinetwatch.service import startup
from cabinetwatch.service.parts import run_child
from cabinetwatch.store.backup import back_up
from cabinetwatch.store.place import DiskFaultError, WriterLock, database_url, pending_salvage
from cabinetwatch.watch.events import AlarmState
from tests.faults.watched import (
    TABLES,
    drive_over_threshold,
    numbers_in,
    publish_numbers,
    wait_mailed,
    wait_stored,
)
from tests.service.site import NAS, Site
from tests.service.watching import cabinetwatch, running, wait_until, watching
from tests.service.wire import Wire, wire
from tests.support import forked
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.ports import free_port

GARBAGE = b"\xa5"
LIVED = 1500


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of a watch that has written so many readings and an alarm."""
    broker = Broker(tmp_path_factory.mktemp("broker")).start()
    site = Site(tmp_path_factory.mktemp("lived"), broker.port, tables=TABLES)
    with watching(site.config()), wire(broker.port) as cabinet:
        cabinet.wait_online()
        for start in range(0, LIVED, 500):
            publish_numbers(cabinet, range(start, start + 500))
            wait_stored(site, range(start + 500))
        drive_over_threshold(cabinet)
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


def spoil_alarms(path: Path) -> None:
    """What the alarms' records say, in a file that is sound to SQLite."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE transition SET record = '{'")
        connection.execute("UPDATE notice SET transitions = '[1]'")
        connection.execute("UPDATE repeat_window SET data = x'00'")


def spoil_all_but_the_lock(path: Path) -> None:
    """All of it, so that only the lock of the watch beside it says whose it was."""
    path.write_bytes(GARBAGE * len(path.read_bytes()))
    with WriterLock(path):
        pass


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_middle,
        spoil_header,
        spoil_alarms,
        spoil_all_but_the_lock,
        # These are each tried on the store alone as well.
        *(
            pytest.param(each, marks=pytest.mark.long)
            for each in (spoil_page_size, spoil_schema, cut_short)
        ),
    ],
)
def test_a_store_damaged_while_nothing_ran_is_set_aside_salvaged_and_the_watch_goes_on(
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
        publish_numbers(cabinet, range(LIVED, LIVED + 50))
        wait_until(lambda: has_all(site, range(LIVED, LIVED + 50)), "the new numbers in the store")
        drive_over_threshold(cabinet)
        wait_until(lambda: pending_salvage(path) is None, "the end of the salvage")
    numbers = numbers_in(site)

    (aside,) = [each for each in path.parent.glob("watch.db.damaged-*") if is_database(each)]
    assert aside.read_bytes() == damaged
    assert f"it was set aside as {aside}" in caplog.text
    assert f"The store {path} is damaged" in caplog.text
    assert "Traceback" not in caplog.text
    # Nothing twice, and as much as the pages of the old file still hold.
    assert numbers.total() == len(numbers)
    assert len(numbers) >= 50 + LEFT[spoil]


LEFT: dict[Callable[[Path], None], int] = {
    spoil_page_size: LIVED,
    spoil_header: LIVED,
    spoil_alarms: LIVED,
    spoil_middle: 1,
    cut_short: 1,
    spoil_schema: 0,
    spoil_all_but_the_lock: 0,
}
"""How many of those numbers must be carried over at least."""


def has_all(site: Site, numbers: range) -> bool:
    found = numbers_in(site)
    return all(found[number] == 1 for number in numbers)


def is_database(path: Path) -> bool:
    return not path.name.endswith(("-wal", "-shm"))


def write_photo(path: Path) -> None:
    """What a camera writes: the marker of JFIF, then bytes of all kinds."""
    path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + Random(7).randbytes(200_000))


def write_locked(path: Path) -> None:
    """A file of another program, which keeps its process in a lock beside it, as many do."""
    write_photo(path)
    path.with_name(path.name + ".lock").write_text("4711\n")


@pytest.mark.parametrize("write", [write_photo, write_locked])
def test_a_file_that_never_was_a_store_is_refused_in_one_sentence_and_left_untouched(
    write: Callable[[Path], None], site: Site
) -> None:
    path = site.folder / "watch.db"
    write(path)
    site.write()
    before = {each: each.read_bytes() for each in site.folder.iterdir()}
    refused = cabinetwatch(site.path, "run")

    assert refused.returncode == 2
    (line,) = refused.stderr.splitlines()
    assert f"The file {path} is no store of cabinetwatch, or can't be recognised" in line
    assert {each: each.read_bytes() for each in site.folder.iterdir()} == before


def test_damage_found_while_writing_is_told_and_the_watch_goes_on_with_a_new_store(
    site: Site, path: Path, cabinet: Wire, smtp: MailDrop
) -> None:
    spoil_index_of_alarms(path)
    with running(site.path, module="tests.faults.impatient") as watch:
        cabinet.wait_online()
        publish_numbers(cabinet, range(LIVED, LIVED + 50))
        wait_stored(site, range(LIVED + 50))
        heard = len(cabinet.messages)
        # What can't be written is told from memory; then a new store is begun, and it is told anew.
        cabinet.publish(NAS, "55")
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged", after=heard)
        alarm = cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
        wait_mailed(smtp, alarm["id"])
        watch.wait_log("it was set aside as")
        cabinet.wait_online(after=heard)
        cabinet.publish_until(NAS, "56", "nas", "over-derating", "unacknowledged")
        publish_numbers(cabinet, range(LIVED + 50, LIVED + 100))
        # Those before come out of the store that was set aside.
        wait_until(lambda: has_all(site, range(LIVED + 100)), "all numbers in the store")
        assert watch.stop() == 0

    assert numbers_in(site).total() == LIVED + 100
    assert "is damaged" in fault["text"]
    (aside,) = [each for each in path.parent.glob("watch.db.damaged-*") if is_database(each)]
    assert count_blocks(aside) > 0


def spoil_index_of_alarms(path: Path) -> None:
    """Spoil what only a new alarm touches, so that a start sees nothing of it."""
    spoil_root(path, "transition_by_time")


def spoil_root(path: Path, name: str) -> None:
    """Spoil the page from which a table or index hangs."""
    query = "SELECT rootpage FROM sqlite_master WHERE name = ?"
    with closing(sqlite3.connect(path)) as connection:
        page: int = connection.execute(query, (name,)).fetchone()[0]
    whole = path.read_bytes()
    size = page_bytes(whole)
    path.write_bytes(whole[: (page - 1) * size] + GARBAGE * size + whole[page * size :])


def count_blocks(path: Path) -> int:
    """Count the blocks of readings that can still be read of a store that was set aside."""
    return int(forked.run("-c", _COUNT, str(path)).stdout)


_COUNT = """
import sqlite3, sys
print(sqlite3.connect(sys.argv[1]).execute("SELECT count(*) FROM block").fetchone()[0])
"""


def test_a_backup_copied_over_the_store_of_a_killed_watch_is_watched_on(
    site: Site, path: Path, cabinet: Wire
) -> None:
    backup = site.folder / "backup.db"
    back_up(path, backup, replace=False)
    with running(site.path) as watch:
        cabinet.wait_online()
        for first in (LIVED, LIVED + 400):
            publish_numbers(cabinet, range(first, first + 400))
            wait_stored(site, range(first + 400))
            if first == LIVED:
                # As the log does by itself at 4 MB: what is written from here on overwrites it.
                with closing(sqlite3.connect(path)) as connection:
                    connection.execute("PRAGMA wal_checkpoint(RESTART)")
        watch.kill()
    assert path.with_name("watch.db-wal").stat().st_size > 0
    shutil.copyfile(backup, path)
    heard = len(cabinet.messages)
    with running(site.path) as watch:
        cabinet.wait_online(after=heard)
        assert has_all(site, range(LIVED))
        cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        assert watch.stop() == 0
    assert list(site.folder.glob("*.damaged-*")) == []


def test_damage_that_only_a_reader_finds_is_told_and_the_store_set_aside(
    site: Site, path: Path, cabinet: Wire, smtp: MailDrop
) -> None:
    # One that a warm start doesn't read.
    query = (
        "SELECT first_seq, length FROM block WHERE first_seq + length <="
        " (SELECT seq FROM saved_state) ORDER BY length DESC LIMIT 1"
    )
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        first, length = connection.execute(query).fetchone()
        spoil = "UPDATE block SET data = zeroblob(40) WHERE first_seq = ?"
        connection.execute(spoil, (first,))
    assert length > 1
    with running(site.path, module="tests.faults.impatient") as watch:
        cabinet.wait_online()
        heard = len(cabinet.messages)
        asked = forked.run("cabinetwatch", "export", "--config", str(site.path))
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged", after=heard)
        back = cabinet.wait_transition("site", "store-fault", "returned", after=heard)
        wait_mailed(smtp, fault["id"])
        assert watch.stop() == 0

    assert asked.returncode == 2
    assert "The running watch is notified" in asked.stderr
    assert "is damaged" in fault["text"]
    local = r"20\d\d-\d\d-\d\d \d\d:\d\d:\d\d UTC"
    lost = rf"{length} readings between (the first|{local}) and {local} could not be read"
    assert re.search(lost, back["text"])
    assert len(list(path.parent.glob("watch.db.damaged-*Z"))) == 1
    assert numbers_in(site).total() == len(numbers_in(site)) > LIVED // 2


def note_set_aside(path: Path) -> Path:
    """Begin as after a store was set aside, before anything of it was carried over."""
    path.unlink()
    aside = path.with_name("watch.db.damaged-20260701T100000Z")
    note = {"aside": aside.name, "moved": True, "last_seq": None}
    path.with_name("watch.db.salvage").write_text(json.dumps(note))
    return aside


@pytest.mark.parametrize("readable", [True, False], ids=["of-junk", "unreadable"])
def test_a_store_of_which_nothing_can_be_carried_over_is_told_so(
    readable: bool, site: Site, path: Path, cabinet: Wire, smtp: MailDrop
) -> None:
    aside = note_set_aside(path)
    if readable:
        aside.write_bytes(Random(7).randbytes(40_960))
    else:
        aside.mkdir()
    with watching(site.config()):
        cabinet.wait_online()
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged")
        back = cabinet.wait_transition("site", "store-fault", "returned")
        wait_mailed(smtp, fault["id"])
        wait_until(lambda: pending_salvage(path) is None, "the end of the salvage")
    assert "The store was damaged; it was set aside as watch.db.damaged-" in fault["text"]
    assert "nothing of the damaged one could be carried over" in back["text"]


def test_a_disk_that_is_full_puts_off_the_salvage_and_ends_it_not(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Path(shutil.copy(path, path.with_name("kept.db")))
    kept.rename(note_set_aside(path))
    url = database_url(path)

    def full(module: str, *arguments: str, within_s: float) -> bytes:
        if module == "cabinetwatch.store.salvage":
            raise DiskFaultError("the disk is full")
        return run_child(module, *arguments, within_s=within_s)

    with monkeypatch.context() as while_full:
        while_full.setattr(startup, "run_child", full)
        for _ in range(2):
            with pytest.raises(DiskFaultError):
                startup.open_or_make(url)
    with startup.open_or_make(url) as store:
        assert store.saved_state() is not None


def test_alarms_and_untold_notices_outlive_the_damage(
    site: Site, path: Path, cabinet: Wire, smtp: MailDrop
) -> None:
    mail_port, site.mail_port = site.mail_port, free_port()
    path.unlink()
    with watching(site.config()):
        cabinet.wait_online()
        publish_numbers(cabinet, range(500))
        cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        wait_stored(site, range(500))
    with site.store() as store:
        (alarm,) = [each for each in store.standing() if each.condition == "over-derating"]
        waiting = {notice.id for notice, _ in store.waiting() if notice.channel == "email"}
    assert waiting
    spoil_header(path)
    site.mail_port = mail_port
    heard = len(cabinet.messages)
    with watching(site.config()):
        cabinet.wait_online(after=heard)
        wait_mailed(smtp, alarm.id)
        wait_until(lambda: pending_salvage(path) is None, "the end of the salvage")
    assert len(list(path.parent.glob("watch.db.damaged-*Z"))) == 1
    with site.store() as store:
        assert alarm.id in {each.id for each in store.standing()}
        raised = [each for each in store.transitions() if each.id == alarm.id]
        assert [each.previous for each in raised].count(AlarmState.NORMAL) == 1
    assert numbers_in(site).total() == 500
