"""The store as its users see it: open it, commit batches to it, read everything back."""

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy import Connection

from cabinetwatch.store import inputs as told
from cabinetwatch.store import records
from cabinetwatch.store.codecs import Bucket, Tier
from cabinetwatch.store.database import Database, MemoryPlace, check_revision, is_ours
from cabinetwatch.store.inputs import (
    Rename,
    Renames,
    Stretch,
    Wanted,
    judge_wanted,
    read_renames,
    sensors_of_today,
)
from cabinetwatch.store.minutes import Series, TierReader
from cabinetwatch.store.place import (
    DamagedRecordError,
    NoStoreError,
    ReplacedStoreError,
    WriterLock,
    act_as_owner,
    database_path,
    pending_salvage,
    report_damage,
)
from cabinetwatch.store.records import Batch, ClosedWeek, Repeatable, SavedState
from cabinetwatch.store.schema import REVISIONS
from cabinetwatch.store.upkeep import (
    SPARE_PAGES,
    Keeping,
    Now,
    Room,
    clear,
    measure,
    raw_gone_before,
    tidy,
)
from cabinetwatch.store.writer import Writer
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import Entry, EntryKind, Reading, Transition

_T = TypeVar("_T")

MOST_UNACKNOWLEDGED = 65535
"""The most messages a broker may have unacknowledged (MQTT 5.0, 3.1.2.11.3)."""


class Store:
    """One store, for reading by anyone at any time, or for writing by one process.

    Made by `open`. All methods raise StoreError, a sentence that names the file, when SQLite can't
    do what they ask. A Store for writing belongs to one thread.
    """

    def __init__(self, database: Database, lock: WriterLock | None, writer: Writer | None) -> None:
        self._database = database
        self._lock = lock
        self._writer = writer
        self._tiers = TierReader(database)
        self._is_watch = False
        self._mark: MemoryPlace | None = None

    @classmethod
    def open(
        cls,
        url: str,
        *,
        read_only: bool = False,
        window_messages: int = MOST_UNACKNOWLEDGED,
        watch: bool = False,
        lock: WriterLock | None = None,
    ) -> "Store":
        """Open an existing store; `migrate` makes one.

        Args:
            url: like sqlite:///cabinetwatch.db.
            read_only: don't take the lock; only `put_command` can write then.
            window_messages: how many messages the broker may have unacknowledged; so many are
                remembered to recognise repeats.
            watch: it is a watch that writes to it, and others see that it runs.
            lock: that of this store, from `close_holding`. It is released where opening fails; one
                that is released is taken anew.

        Raises:
            NoStoreError: nothing lies there yet.
            StoreError: no store of ours, an older or newer schema, or in use by another writer.
            DamagedStoreError: ours, but damaged.
        """
        path = database_path(url)
        act_as_owner(path)
        database = Database(path, read_only=read_only)
        try:
            _require_made(path)
            if not read_only and (lock is None or not lock.held):
                lock = WriterLock(path, watch=watch)
            _require_current(database)
            writer = None if read_only else Writer(database, window_messages)
        except BaseException:
            database.close()
            if lock is not None:
                lock.release()
            raise
        store = cls(database, lock, writer)
        store._is_watch = watch
        return store

    @property
    def path(self) -> Path:
        """The database file."""
        return self._database.path

    def close(self) -> None:
        """Close the file, then let the next writer in. Closing twice is no fault."""
        self._database.close()
        if self._lock is not None:
            self._lock.release()
        self._unmark()

    def close_holding(self) -> WriterLock | None:
        """Close the file, but let nobody in before it is opened again: give the lock for that."""
        lock, self._lock = self._lock, None
        self.close()
        if lock is None or not lock.held:
            return None
        lock.renew()
        return lock

    def __enter__(self) -> "Store":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def commit(self, batch: Batch) -> None:
        """Write all of a batch, durably, in one transaction.

        Raises:
            StoreError: nothing was written; the same batch can be committed again.
        """
        self._require_writer().commit(batch)

    def rename(self, wanted: Sequence[tuple[str, str]]) -> Wanted:
        """Let the past of sensors, each as (old, new), be of their new IDs; only once ever.

        Returns:
            What was done, as `due`, and sentences about what can't be done.

        Raises:
            StoreError: nothing was written.
        """
        found = self.renames_wanted(wanted)
        t = self.last_t() or 0
        entries: list[Reading | Entry] = [
            Entry(t, EntryKind.RENAME, {"old": old, "new": new}) for old, new in found.due
        ]
        if entries:
            self.commit(Batch(advanced_to=t, offset_ms=self.offset_ms() or 0, inputs=entries))
        return found

    def let_go(self) -> None:
        """Close the file and let others take the lock, until `take_up`.

        So its disk, which refuses, can be unmounted, checked, and mounted again. That a watch lives
        is then to be seen in memory.
        """
        self.close()
        if self._is_watch:
            with suppress(OSError):
                self._mark = MemoryPlace(self.path)

    def take_up(self) -> None:
        """Open the file again where it was let go.

        Raises:
            NoStoreError: nothing lies there now.
            ReplacedStoreError: it is not as it was left.
            StoreError: it can't be opened, or is in use by another writer.
        """
        writer = self._require_writer()
        if not is_ours(self.path):
            raise NoStoreError(f"There is no store at {self.path} any more")
        lock = WriterLock(self.path, watch=self._is_watch)
        try:
            _require_current(self._database)
            self._require_last(writer.seq)
        except BaseException:
            self._database.close()
            lock.release()
            raise
        self._lock = lock
        self._unmark()

    def _unmark(self) -> None:
        if self._mark is not None:
            self._mark.remove()
            self._mark = None

    # What the engine was told.

    def inputs(self, after_seq: int = 0) -> Iterator[tuple[int, Reading | Entry]]:
        """Give all the engine was told after input number `after_seq`, in that very order.

        Sensors have the names that they had then; everywhere else those of today.
        JSON can't tell a tuple from a list: an entry's tuples come back as lists.
        """
        return told.read_inputs(self._database, after_seq)

    def entries(self, *kinds: EntryKind) -> list[tuple[int, Entry]]:
        """Give the journal's entries of some kinds, or all, with their numbers, in order."""
        return self._read(lambda connection: told.read_entries(connection, kinds))

    def stretches(
        self, from_utc_ms: int | None = None, to_utc_ms: int | None = None
    ) -> Iterator[Stretch]:
        """Give the stretches that hold any reading from one instant up to before another.

        Between two stretches the journal may say that configuration or clock changed; within one
        they are the same.
        """
        return told.read_stretches(self._database, from_utc_ms, to_utc_ms)

    def readings(
        self,
        sensor: str | None = None,
        from_utc_ms: int | None = None,
        to_utc_ms: int | None = None,
    ) -> Iterator[tuple[Reading, int]]:
        """Give readings with their UTC (ms), from one instant up to before another.

        They come in order of arrival; those with a time of their own can be older than the one
        before. Values are without the sensor's offset.
        """
        for stretch in self.stretches(from_utc_ms, to_utc_ms):
            for reading in stretch.readings:
                utc_ms = reading.t + stretch.offset_ms
                if (
                    (sensor is None or reading.sensor == sensor)
                    and (from_utc_ms is None or utc_ms >= from_utc_ms)
                    and (to_utc_ms is None or utc_ms < to_utc_ms)
                ):
                    yield reading, utc_ms

    def sensors(self) -> list[str]:
        """Give the names of all sensors that ever had a reading."""
        return self._read(sensors_of_today)

    def renames(self) -> Renames:
        """Give which sensors have been renamed."""
        return self._read(read_renames)

    def renames_wanted(self, wanted: Sequence[tuple[str, str]]) -> Wanted:
        """Look which renames, each as (old, new), are still to be done, and which can't be."""
        return self._read(lambda connection: judge_wanted(connection, wanted))

    def renames_unpublished(self) -> list[Rename]:
        """Give the renames since which no broker has let the watch in."""

        def unpublished(connection: Connection) -> list[Rename]:
            last = told.last_of_kind(connection, EntryKind.CONNECT)
            return [rename for rename in read_renames(connection) if rename.seq > last]

        return self._read(unpublished)

    def unreadable(self) -> dict[str, records.UnreadableTotal]:
        """Give how many messages could not be read, by sensor; those without any are left out."""
        return self._read(records.unreadable_totals)

    def unreadable_between(self, from_utc_ms: int, to_utc_ms: int) -> dict[str, int]:
        """Give how many there were from one hour of UTC up to before another, by sensor."""
        return self._read(
            lambda connection: records.unreadable_between(connection, from_utc_ms, to_utc_ms)
        )

    # How far the watch has come.

    def last_seq(self) -> int:
        """Give the number of the last input, 0 in a new store."""
        return self._read(told.last_seq)

    def last_t(self) -> int | None:
        """Give the largest watch time known (ms)."""
        newest = self._read(records.newest_heartbeat)
        return None if newest is None else newest.t

    def offset_ms(self) -> int | None:
        """Give the UTC offset in force at the newest commit."""
        newest = self._read(records.newest_heartbeat)
        return None if newest is None else newest.offset_ms

    def heartbeat(self) -> int | None:
        """Give the instant of the newest commit, UTC in ms."""
        newest = self._read(records.newest_heartbeat)
        return None if newest is None else newest.utc_ms

    def saved_state(self) -> SavedState | None:
        """Give the engine as last saved."""
        return self._read(records.read_state)

    def window(self) -> Iterator[Repeatable]:
        """Give the last committed messages, oldest first.

        Only of the session in force: a connect without a session in the journal forgets the rest.
        Of several under one packet identifier the last one counts. Slot by slot: tens of thousands
        at once would cost the daemon megabytes.
        """
        for packed in self._read(records.read_window):
            yield from self._told(partial(records.messages_of, packed))

    # Alarms and notices.

    def transitions(
        self,
        from_utc_ms: int | None = None,
        to_utc_ms: int | None = None,
        limit: int | None = None,
        alarm_id: str | None = None,
    ) -> list[Transition]:
        """Give transitions, oldest first, from one instant up to before another.

        Args:
            from_utc_ms: none: from the first on.
            to_utc_ms: none: up to the last.
            limit: no more than the newest so many.
            alarm_id: only those of this occurrence.
        """
        return self._read(
            lambda connection: records.transitions_between(
                connection, from_utc_ms, to_utc_ms, limit, alarm_id
            )
        )

    def standing(self, before_utc_ms: int | None = None) -> list[Transition]:
        """Give the last transition of each alarm that is not normal, oldest first.

        Args:
            before_utc_ms: as they stood then; none: now.
        """
        return self._read(lambda connection: records.standing_alarms(connection, before_utc_ms))

    def waiting(self) -> list[records.Posted]:
        """Give the notices still to be told, with what came of the attempts so far."""
        return self._read(records.waiting_notices)

    def notices(
        self, from_utc_ms: int | None = None, to_utc_ms: int | None = None
    ) -> list[records.Posted]:
        """Give the notices written from one instant up to before another, oldest first."""
        return self._read(
            lambda connection: records.notices_between(connection, from_utc_ms, to_utc_ms)
        )

    def summaries(self, at_most: int = 60) -> list[records.Posted]:
        """Give the newest notices that tell of a week, oldest first."""
        return self._read(lambda connection: records.summaries(connection, at_most))

    # Closed weeks.

    def week(self, name: str) -> ClosedWeek | None:
        """Give the frozen figures of an ISO week such as 2026-W47; None when there are none."""
        return self._read(lambda connection: records.read_week(connection, name))

    def weeks(self) -> list[str]:
        """Give the names of the weeks that were frozen, oldest first."""
        return self._read(records.week_names)

    # Tiers.

    def series(
        self, subject: str, figure: str, from_utc_ms: int, to_utc_ms: int, points: int
    ) -> Series:
        """Give a figure from one instant up to before another, as about `points` buckets.

        They come from the minutes, or from the quarter-hours where that is fine enough or where the
        minutes are gone. The first may begin before `from_utc_ms`; it holds only what is since.

        Args:
            subject: a sensor, whose one figure is "value" (SI, corrected by the offset then in
                force), or a device.
            figure: the name under which `status --json` shows it; "off" is the share of the time.
            from_utc_ms: the first instant.
            to_utc_ms: the instant after the last.
            points: the most buckets wanted, at least 1.
        """
        return self._told(
            lambda: self._tiers.series(subject, figure, from_utc_ms, to_utc_ms, points)
        )

    def buckets(
        self, subject: str, figure: str, tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> list[Bucket]:
        """Give the buckets of a tier that begin from one instant up to before another."""
        return self._told(
            lambda: self._tiers.buckets(subject, figure, tier, from_utc_ms, to_utc_ms)
        )

    def columns(
        self, subject: str, figures: Sequence[str], tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> dict[str, list[Bucket]]:
        """Give the buckets of several figures of a subject, faster than one by one."""
        return self._told(
            lambda: self._tiers.columns(subject, figures, tier, from_utc_ms, to_utc_ms)
        )

    def figures_of(self, subject: str) -> list[str]:
        """Give the figures that a sensor or device has had lately; none for an unknown one."""
        return self._told(lambda: self._tiers.figures_of(subject))

    # Upkeep.

    def tidy(self, now: Now) -> Iterator[None]:
        """Bring the tiers up to what is committed; each `next` is one short step."""
        self._require_whole()
        return tidy(self._database, now)

    def clear(self, now: Now, keeping: Keeping, spare_pages: int = SPARE_PAGES) -> Iterator[int]:
        """Let go of what is older than its keeping time, and give the space back.

        Returns:
            Steps, each short; each gives the rows that it let go.
        """
        self._require_whole()
        return clear(self._database, now, keeping, spare_pages)

    def room(self) -> Room:
        """Give how much room the store takes and has left."""
        return self._read(lambda connection: measure(connection, self.path))

    def raw_gone_before(self) -> int | None:
        """Give the instant (UTC in ms) before which single readings were pruned; None if none."""
        return self._read(raw_gone_before)

    # Commands.

    def put_command(self, command: Mapping[str, Any], utc_ms: int) -> int:
        """Ask the daemon for something; from any process, also while the daemon writes.

        Returns:
            The id under which `command_result` tells what came of it.
        """
        if self._writer is not None:
            return self._read(lambda connection: records.add_command(connection, command, utc_ms))
        database = Database(self.path, read_only=False)
        try:
            with database.writing() as connection:
                return records.add_command(connection, command, utc_ms)
        finally:
            database.close()

    def take_commands(self) -> list[tuple[int, Any]]:
        """Give the commands not yet handled; they stay so until a batch says `handled`.

        Any process may have put them: one need not be the object that a command is.
        """
        return self._read(records.waiting_commands)

    def command_result(self, command_id: int) -> dict[str, Any] | None:
        """Give what came of a command; none as long as it waits."""
        return self._read(lambda connection: records.result_of(connection, command_id))

    def _require_last(self, seq: int) -> None:
        if self.last_seq() != seq:
            raise ReplacedStoreError(f"The store {self.path} is not as this watch left it")

    def _require_whole(self) -> None:
        """Condense and prune nothing while readings still come from a store that was set aside.

        Done again after a kill, carrying over could not tell what is gone from what never came.
        """
        self._require_writer()
        if pending_salvage(self.path) is not None:
            raise StoreError(
                f"The readings of the damaged store are still being carried over into {self.path};"
                " try again when that is done"
            )

    def _require_writer(self) -> Writer:
        if self._writer is None:
            raise StoreError(f"The store {self.path} was opened for reading only")
        return self._writer

    def _read(self, question: Callable[[Connection], _T]) -> _T:
        def ask() -> _T:
            with self._database.reading() as connection:
                return question(connection)

        return self._told(ask)

    def _told(self, question: Callable[[], _T]) -> _T:
        try:
            return question()
        except (ValueError, zlib.error) as error:
            damage = DamagedRecordError(f"The store {self.path} is damaged: {error}", self.path)
            report_damage(self.path, damage)
            raise damage from error


def _require_made(path: Path) -> None:
    if not is_ours(path):
        raise NoStoreError(f"There is no store at {path} yet; `cabinetwatch run` makes it")


def _require_current(database: Database) -> None:
    with database.reading() as connection:
        revision = check_revision(connection, database.path)
    if revision != REVISIONS[-1]:
        raise StoreError(
            f"The store {database.path} has the schema of an older cabinetwatch; "
            "`cabinetwatch run` brings it up to date"
        )
