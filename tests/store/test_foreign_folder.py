"""Root does nothing in the folder of a store that is another user's but as that user.

As root, in a process of its own whose effective user changes; without root what can be shown is
that nothing changes, and that no link is followed.
"""

import os
import pwd
import shutil
import signal
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cabinetwatch.store import database, place
from cabinetwatch.store.database import signal_watch
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import (
    WriterLock,
    act_as_owner,
    as_root_again,
    create_private,
    database_url,
)
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import Entry, EntryKind
from tests.store.examples import T0, batch

AS_ROOT = os.geteuid() == 0
OTHER = pwd.getpwnam("nobody") if AS_ROOT else pwd.getpwuid(os.geteuid())


@pytest.fixture
def state() -> Iterator[Path]:
    """A state directory that belongs to the other user, in a folder open to all."""
    folder = Path(tempfile.mkdtemp(prefix="foreign-"))
    folder.chmod(0o755)
    inside = folder / "state"
    inside.mkdir(mode=0o750)
    if AS_ROOT:
        os.chown(inside, OTHER.pw_uid, OTHER.pw_gid)
    yield inside
    shutil.rmtree(folder)


def in_a_process_of_its_own(do: Callable[[], object]) -> str:
    """Do something in a child, with all loaded; give what it returned or was refused with."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            answer = str(do())
        except BaseException as error:  # noqa: BLE001 - it is told
            answer = f"{type(error).__name__}: {error}"
        os.write(writer, answer.encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as told:
        answer = told.read()
    os.waitpid(child, 0)
    return answer


def test_what_root_makes_beside_the_store_is_the_other_user_s(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(place, "_program_is_readable", lambda: True)
    path = state / "watch.db"

    def make() -> str:
        act_as_owner(path)
        create_private(path)
        WriterLock(path)
        with as_root_again():
            again = os.geteuid()
        return f"{again} {os.geteuid()} {os.getgroups() if AS_ROOT else ''}"

    groups = os.getgrouplist(OTHER.pw_name, OTHER.pw_gid) if AS_ROOT else ""
    assert in_a_process_of_its_own(make) == f"{os.geteuid()} {OTHER.pw_uid} {groups}"
    made = {each.name: each.stat().st_uid for each in state.iterdir()}
    assert made == {"watch.db": OTHER.pw_uid, "watch.db.lock": OTHER.pw_uid}


@pytest.mark.parametrize("kind", ["link", "fifo"])
def test_a_lock_that_is_no_file_is_not_written(kind: str, state: Path) -> None:
    precious = state.parent / "precious"
    precious.write_text("keep me")
    lock = state / "watch.db.lock"
    if kind == "link":
        lock.symlink_to(precious)
    else:
        os.mkfifo(lock)
    with pytest.raises(StoreError, match=r"watch\.db\.lock"):
        WriterLock(state / "watch.db")
    assert precious.read_text() == "keep me"


def test_a_program_that_the_other_user_may_not_read_is_a_sentence_and_changes_nothing(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not AS_ROOT:
        act_as_owner(state / "watch.db")
        return
    monkeypatch.setattr(place, "_program_is_readable", lambda: False)
    before = (os.geteuid(), os.getegid(), os.getgroups())
    for way in (act_as_owner, lambda path: migrate(database_url(path))):
        with pytest.raises(StoreError, match="sudo -u nobody cabinetwatch"):
            way(state / "watch.db")
        assert (os.geteuid(), os.getegid(), os.getgroups()) == before
    assert not list(state.iterdir())


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Store]:
    """A store with a watch that has begun, whose lock this process holds."""
    url = database_url(tmp_path / "watch.db")
    migrate(url)
    with Store.open(url) as store:
        store.commit(batch(Entry(T0, EntryKind.START, {})))
        yield store


def test_a_process_that_is_no_watch_is_not_signalled_though_it_holds_the_store(held: Store) -> None:
    """Such as an import, or one that wrote another's number into the lock file."""
    sent: list[int] = []
    before = signal.signal(signal.SIGHUP, lambda number, _: sent.append(number))
    try:
        assert signal_watch(held.path, signal.SIGHUP) is None
    finally:
        signal.signal(signal.SIGHUP, before)
    assert sent == []


def test_the_number_in_the_lock_file_counts_for_nothing(
    held: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "_is_a_watch", lambda process: True)
    sent: list[int] = []
    before = signal.signal(signal.SIGHUP, lambda number, _: sent.append(number))
    held.path.with_name("watch.db.lock").write_text(f"{os.getppid()}\ncabinetwatch\n")
    try:
        assert signal_watch(held.path, signal.SIGHUP) == os.getpid()
    finally:
        signal.signal(signal.SIGHUP, before)
    assert sent == [signal.SIGHUP]
