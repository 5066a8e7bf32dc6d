"""The store as its users see it: open it, commit batches to it, read everything back."""

import zlib
from bisect import bisect_left
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from operator import itemgetter
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, func, insert, or_, select

from cabinetwatch.store import inputs as told
from cabinetwatch.store import schema, upkeep
from cabinetwatch.store.codecs import (
    DAY_MS,
    SENSOR_FIGURE,
    Bucket,
    FigureMinute,
    Tier,
    TierBlock,
    condense,
)
from cabinetwatch.store.database import (
    Database,
    MemoryPlace,
    check_revision,
    is_ours,
    take_lock,
    writing_once,
)
from cabinetwatch.store.place import (
    NoStoreError,
    ReplacedStoreError,
    WriterLock,
    act_as_owner,
    database_path,
    pending_salvage,
    record_damaged,
    whole,
)
from cabinetwatch.store.records import (
    HOUR_MS,
    Batch,
    ClosedWeek,
    Heartbeat,
    Posted,
    Repeatable,
    SavedState,
    UnreadableTotal,
    Writer,
    newest_heartbeat,
    posted,
    unpack_window,
)
from cabinetwatch.store.upkeep import SPARE_PAGES, Keeping, Now, Room
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Reading, Transition

MOST_UNACKNOWLEDGED = 65535
"""The most messages a broker may have unacknowledged (MQTT 5.0, 3.1.2.11.3)."""
_LATELY = 8
"""The newest blocks of a subject in which its figures are looked for."""


class Series(NamedTuple):
    """A figure over time: buckets of `step_ms`, read from `tier`; where nothing is known, none."""

    tier: Tier
    step_ms: int
    buckets: list[Bucket]


class Store:
    """One store, for reading by anyone at any time, or for writing by one process.

    Made by `open`. All methods raise StoreError, a sentence that names the file, when SQLite can't
    do what they ask. A Store for writing belongs to one thread. Intervals go from one instant up to
    before another; sensors have the names of today, but for `inputs`.
    """

    def __init__(
        self, database: Database, lock: WriterLock | None, writer: Writer | None, *, watch: bool
    ) -> None:
        self._database = database
        self._lock = lock
        self._writer = writer
        self._is_watch = watch
        self._tail = _Tail()
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
        with ExitStack() as undo:
            undo.callback(database.close)
            if lock is not None:
                undo.callback(lock.release)
            if not is_ours(path):
                raise NoStoreError(f"There is no store at {path} yet; `cabinetwatch run` makes it")
            if not read_only and (lock is None or not lock.held):
                lock = undo.enter_context(take_lock(path, watch=watch))
            _require_current(database)
            writer = None if read_only else Writer(database, window_messages)
            undo.pop_all()
        return cls(database, lock, writer, watch=watch)

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

    def __exit__(self, *_: object) -> None:
        self.close()

    def commit(self, batch: Batch) -> None:
        """Write all of a batch, durably, in one transaction.

        Raises:
            StoreError: nothing was written; the same batch can be committed again.
        """
        self._require_writer().commit(batch)

    def rename(self, wanted: Sequence[tuple[str, str]]) -> told.Wanted:
        """Let the past of sensors, each as (old, new), be of their new IDs; only once ever.

        Gives what was done, as `due`, and sentences about what can't be done.
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
        """Open the file again where it was let go; that it can't be written holds until a commit.

        Raises:
            NoStoreError: nothing lies there now.
            ReplacedStoreError: it is not as it was left.
            StoreError: it can't be opened, or is in use by another writer.
        """
        writer = self._require_writer()
        if not is_ours(self.path):
            raise NoStoreError(f"There is no store at {self.path} any more")
        with ExitStack() as undo:
            lock = undo.enter_context(take_lock(self.path, watch=self._is_watch))
            lock.say_writes(can=False)
            undo.callback(self._database.close)
            _require_current(self._database)
            if self.last_seq() != writer.seq:
                raise ReplacedStoreError(f"The store {self.path} is not as this watch left it")
            undo.pop_all()
        self._lock = lock
        self._unmark()

    def say_writes(self, *, can: bool) -> None:
        """Say to whoever looks for the watch whether it can write. From any thread."""
        lock = self._lock
        if lock is not None:
            lock.say_writes(can=can)

    def _unmark(self) -> None:
        if self._mark is not None:
            self._mark.remove()
            self._mark = None

    # What the engine was told.

    def inputs(self, after_seq: int = 0) -> Iterator[tuple[int, Reading | Entry]]:
        """Give all the engine was told after input number `after_seq`, in that very order.

        Sensors have the names that they had then.
        JSON can't tell a tuple from a list: an entry's tuples come back as lists.
        """
        return told.read_inputs(self._database, after_seq)

    def entries(self, *kinds: EntryKind) -> list[tuple[int, Entry]]:
        """Give the journal's entries of some kinds, or all, with their numbers, in order."""
        with self._reading() as connection:
            return told.read_entries(connection, kinds)

    def readings(
        self,
        sensor: str | None = None,
        from_utc_ms: int | None = None,
        to_utc_ms: int | None = None,
    ) -> Iterator[tuple[Reading, int]]:
        """Give the readings of an interval with their UTC (ms), without the sensor's offset.

        They come in order of arrival; those with a time of their own can be older than the one
        before.
        """
        sensors = None if sensor is None else (sensor,)
        for _, reading, utc_ms in self.numbered(sensors, from_utc_ms, to_utc_ms):
            yield reading, utc_ms

    def numbered(
        self,
        sensors: Collection[str] | None,
        from_utc_ms: int | None = None,
        to_utc_ms: int | None = None,
    ) -> Iterator[tuple[int, Reading, int]]:
        """Give the readings of some sensors (None: of all), each behind an input number.

        That is of the first input of its stretch, by which its offset is found.
        """
        for stretch in told.read_stretches(self._database, from_utc_ms, to_utc_ms):
            for reading in stretch.readings:
                utc_ms = reading.t + stretch.offset_ms
                if (
                    (sensors is None or reading.sensor in sensors)
                    and (from_utc_ms is None or utc_ms >= from_utc_ms)
                    and (to_utc_ms is None or utc_ms < to_utc_ms)
                ):
                    yield stretch.first_seq, reading, utc_ms

    def sensors(self) -> list[str]:
        """Give the names of all sensors that ever had a reading."""
        with self._reading() as connection:
            return told.sensors_of_today(connection)

    def renames(self) -> told.Renames:
        """Give which sensors have been renamed."""
        with self._reading() as connection:
            return told.read_renames(connection)

    def renames_wanted(self, wanted: Sequence[tuple[str, str]]) -> told.Wanted:
        """Look which renames, each as (old, new), are still to be done, and which can't be."""
        with self._reading() as connection:
            return told.judge_wanted(connection, wanted)

    def renames_unpublished(self) -> list[told.Rename]:
        """Give the renames since which no broker has let the watch in."""
        journal = schema.journal.c
        newest = select(func.max(journal.seq)).where(journal.kind == EntryKind.CONNECT.value)
        with self._reading() as connection:
            last = connection.scalar(newest) or 0
            return [rename for rename in told.read_renames(connection) if rename.seq > last]

    def unreadable(self) -> dict[str, UnreadableTotal]:
        """Give how many messages could not be read, by sensor; those without any are left out."""
        with self._reading() as connection:
            rows = connection.execute(select(schema.unreadable))
            return {sensor: UnreadableTotal(*figures) for sensor, *figures in rows}

    def unreadable_between(self, from_utc_ms: int, to_utc_ms: int) -> dict[str, int]:
        """Give how many there were from one hour of UTC up to before another, by sensor."""
        table = schema.unreadable_hour.c
        query = (
            select(table.sensor, func.sum(table.messages))
            .where(table.hour >= from_utc_ms // HOUR_MS, table.hour < -(-to_utc_ms // HOUR_MS))
            .group_by(table.sensor)
        )
        with self._reading() as connection:
            return {sensor: int(summed) for sensor, summed in connection.execute(query)}

    # How far the watch has come.

    def last_seq(self) -> int:
        """Give the number of the last input, 0 in a new store."""
        with self._reading() as connection:
            return told.last_seq(connection)

    def last_t(self) -> int | None:
        """Give the largest watch time known (ms)."""
        newest = self._newest()
        return None if newest is None else newest.t

    def offset_ms(self) -> int | None:
        """Give the UTC offset in force at the newest commit."""
        newest = self._newest()
        return None if newest is None else newest.offset_ms

    def heartbeat(self) -> int | None:
        """Give the instant of the newest commit, UTC in ms."""
        newest = self._newest()
        return None if newest is None else newest.utc_ms

    def _newest(self) -> Heartbeat | None:
        with self._reading() as connection:
            return newest_heartbeat(connection)

    def saved_state(self) -> SavedState | None:
        """Give the engine as last saved."""
        with self._reading() as connection:
            row = connection.execute(select(schema.saved_state)).first()
            if row is None:
                return None
            try:
                return SavedState(row.seq, row.t_ms, zlib.decompress(row.data))
            except zlib.error as error:
                raise ValueError(f"the saved state is damaged ({error})") from error

    def window(self) -> Iterator[Repeatable]:
        """Give the last committed messages, oldest first.

        Only of the session in force: a connect without a session in the journal forgets the rest.
        Of several under one packet identifier the last one counts. Slot by slot: tens of thousands
        at once would cost the daemon megabytes.
        """
        ring = schema.repeat_window.c
        with self._reading() as connection:
            slots = connection.scalars(select(ring.data).order_by(ring.turn)).all()
        for packed in slots:
            with self._telling_damage():
                messages = unpack_window(packed)
            yield from messages

    # Alarms and notices.

    def transitions(
        self,
        from_utc_ms: int | None = None,
        to_utc_ms: int | None = None,
        limit: int | None = None,
        alarm_id: str | None = None,
    ) -> list[Transition]:
        """Give the transitions of an interval, or of one occurrence, oldest first.

        With a limit no more than the newest so many.
        """
        table = schema.transition.c
        query = select(table.record).order_by(table.id.desc()).limit(limit)
        query = _of_interval(query, table.utc_ms, from_utc_ms, to_utc_ms)
        if alarm_id is not None:
            query = query.where(table.alarm_id == alarm_id)
        return self._transitions(query)[::-1]

    def standing(self, before_utc_ms: int | None = None) -> list[Transition]:
        """Give the last transition of each alarm that is not normal, oldest first.

        As they were before an instant, or are now.
        """
        table = schema.transition.c
        last = upkeep.last_of_each_alarm()
        if before_utc_ms is not None:
            last = last.where(table.utc_ms < before_utc_ms)
        query = select(table.record).where(
            table.id.in_(last), table.state != AlarmState.NORMAL.value
        )
        return self._transitions(query.order_by(table.id))

    def _transitions(self, query: Select[Any]) -> list[Transition]:
        with self._reading() as connection, whole("a transition"):
            return [Transition.from_record(record) for record in connection.scalars(query)]

    def waiting(self) -> list[Posted]:
        """Give the notices still to be told, with what came of the attempts so far."""
        status = schema.notice.c.status
        return self._posted(select(schema.notice).where(or_(status.is_(None), status == "waiting")))

    def notices(self, from_utc_ms: int | None = None, to_utc_ms: int | None = None) -> list[Posted]:
        """Give the notices written in an interval, oldest first."""
        table = schema.notice
        return self._posted(_of_interval(select(table), table.c.utc_ms, from_utc_ms, to_utc_ms))

    def summaries(self, at_most: int = 60) -> list[Posted]:
        """Give the newest notices that tell of a week, oldest first."""
        table = schema.notice
        query = select(table.c.number).where(table.c.week.is_not(None))
        newest = query.order_by(table.c.number.desc()).limit(at_most)
        return self._posted(select(table).where(table.c.number.in_(newest)))

    def _posted(self, query: Select[Any]) -> list[Posted]:
        with self._reading() as connection, whole("a notice"):
            rows = connection.execute(query.order_by(schema.notice.c.number))
            return [posted(row) for row in rows]

    def week(self, name: str) -> ClosedWeek | None:
        """Give the frozen figures of an ISO week such as 2026-W47; None when there are none."""
        with self._reading() as connection:
            of_name = select(schema.week).where(schema.week.c.name == name)
            row = connection.execute(of_name).first()
        return None if row is None else ClosedWeek(row.name, row.utc_ms, row.figures)

    def weeks(self) -> list[str]:
        """Give the names of the weeks that were frozen, oldest first."""
        name = schema.week.c.name
        with self._reading() as connection:
            return list(connection.scalars(select(name).order_by(name)))

    # Tiers. What is not in them yet is condensed on the spot: a reader sees all that is committed.

    def series(
        self, subject: str, figure: str, from_utc_ms: int, to_utc_ms: int, points: int
    ) -> Series:
        """Give a figure over an interval, as about `points` buckets.

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

        def step(tier: Tier) -> int:
            """Give the narrowest step in whole widths of the tier that makes few enough."""
            widths = -(-max(1, to_utc_ms - from_utc_ms) // (tier.width_ms * max(1, points)))
            return max(1, widths) * tier.width_ms

        tier = Tier.MINUTES
        if step(tier) >= Tier.QUARTERS.width_ms or not self._has_minutes(subject, from_utc_ms):
            tier = Tier.QUARTERS
        buckets = self.buckets(subject, figure, tier, from_utc_ms, to_utc_ms)
        return Series(tier, step(tier), condense(buckets, step(tier)))

    def buckets(
        self, subject: str, figure: str, tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> list[Bucket]:
        """Give the buckets of a tier that begin in an interval, in order of time."""
        return self.columns(subject, (figure,), tier, from_utc_ms, to_utc_ms)[figure]

    def columns(
        self, subject: str, figures: Sequence[str], tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> dict[str, list[Bucket]]:
        """Give the buckets of several figures of a subject: their blocks are opened only once."""
        table = told.TABLES[tier]
        rows = (
            select(table.c.data)
            .where(
                table.c.subject == subject,
                table.c.day >= from_utc_ms // DAY_MS,
                table.c.day <= to_utc_ms // DAY_MS,
            )
            .order_by(table.c.day, table.c.number)
        )
        with self._reading() as connection:
            blocks = [TierBlock(data, tier.width_ms) for data in connection.scalars(rows)]
            tails = {figure: self._tail.buckets(connection, subject, figure) for figure in figures}
        found = {}
        for figure, tail in tails.items():
            with self._telling_damage():
                column = upkeep.merged(blocks, figure, tier)
            if tail:
                column = condense([*column, *condense(tail, tier.width_ms)], tier.width_ms)
            first, after = (
                bisect_left(column, utc_ms, key=itemgetter(0))
                for utc_ms in (from_utc_ms, to_utc_ms)
            )
            found[figure] = column[first:after]
        return found

    def figures_of(self, subject: str) -> list[str]:
        """Give the figures that a sensor or device has had lately; none for an unknown one."""
        table = schema.minute_block.c
        newest = (
            select(table.data)
            .where(table.subject == subject)
            .order_by(table.day.desc(), table.number.desc())
            .limit(_LATELY)
        )
        with self._reading() as connection:
            data = connection.scalars(newest).all()
            blocks = [TierBlock(each, Tier.MINUTES.width_ms) for each in data]
            return sorted({*upkeep.figures_in(blocks), *self._tail.figures(connection, subject)})

    def _has_minutes(self, subject: str, utc_ms: int) -> bool:
        """Whether the minutes reach back to an instant as far as the quarters do."""
        with self._reading() as connection:
            minutes, quarters = (
                connection.scalar(select(func.min(table.c.day)).where(table.c.subject == subject))
                for table in (schema.minute_block, schema.quarter_block)
            )
        if quarters is None:
            return True
        return minutes is not None and minutes <= max(quarters, utc_ms // DAY_MS)

    # Upkeep.

    def tidy(self, now: Now) -> Iterator[None]:
        """Bring the tiers up to what is committed; each `next` is one short step."""
        self._require_whole()
        return upkeep.tidy(self._database, now)

    def clear(self, now: Now, keeping: Keeping, spare_pages: int = SPARE_PAGES) -> Iterator[int]:
        """Let go of what is older than its keeping time, and give the space back.

        In short steps; each gives the rows that it let go.
        """
        self._require_whole()
        return upkeep.clear(self._database, now, keeping, spare_pages)

    def room(self) -> Room:
        """Give how much room the store takes and has left."""
        with self._reading() as connection:
            return upkeep.measure(connection, self.path)

    def raw_gone_before(self) -> int | None:
        """Give the instant (UTC in ms) before which single readings were pruned; None if none."""
        with self._reading() as connection:
            return upkeep.raw_gone_before(connection)

    # Commands.

    def put_command(self, command: Mapping[str, Any], utc_ms: int) -> int:
        """Ask the daemon for something; from any process, also while the daemon writes.

        Gives the id under which `command_result` tells what came of it; it is never used again.
        """
        row = insert(schema.command).values(command=dict(command), utc_ms=utc_ms)
        if self._writer is None:
            # A log that is another's could not be put aside from under what reads it.
            self._database.close()
            writing = writing_once(self.path)
        else:
            writing = self._database.writing()
        with writing as connection:
            return int(connection.execute(row.returning(schema.command.c.id)).scalar_one())

    def take_commands(self) -> list[tuple[int, Any]]:
        """Give the commands not yet handled; they stay so until a batch says `handled`.

        Any process may have put them: one need not be the object that a command is.
        """
        table = schema.command.c
        query = select(table.id, table.command).where(table.result.is_(None)).order_by(table.id)
        with self._reading() as connection:
            return [(row.id, row.command) for row in connection.execute(query)]

    def command_result(self, command_id: int) -> dict[str, Any] | None:
        """Give what came of a command; none as long as it waits."""
        table = schema.command.c
        with self._reading() as connection:
            return connection.scalar(select(table.result).where(table.id == command_id))

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

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """Read in one transaction, and take records that make no sense for damage."""
        with self._telling_damage(), self._database.reading() as connection:
            yield connection

    @contextmanager
    def _telling_damage(self) -> Iterator[None]:
        try:
            yield
        except (ValueError, zlib.error) as error:
            raise record_damaged(self.path, error) from error


class _Tail:
    """What is committed and not in the tiers yet; remembers what it condensed of it."""

    def __init__(self) -> None:
        self._derived_seq = 0
        self._renames: list[told.Rename] = []
        self._minutes = upkeep.Minutes(0)
        self._waiting: list[FigureMinute] = []
        self._waiting_mark: tuple[int, ...] = ()

    def buckets(self, connection: Connection, subject: str, figure: str) -> list[Bucket]:
        """Give the minutes of a figure, in no order and maybe in parts."""
        if figure == SENSOR_FIGURE:
            return self._gathered(connection, subject)
        return [
            minute.devices[subject][figure]
            for minute in self._waiting_now(connection)
            if figure in minute.devices.get(subject, {})
        ]

    def figures(self, connection: Connection, subject: str) -> set[str]:
        """Give the figures that a subject has here."""
        waiting = self._waiting_now(connection)
        told = {figure for minute in waiting for figure in minute.devices.get(subject, {})}
        return told | ({SENSOR_FIGURE} if self._gathered(connection, subject) else set())

    def _waiting_now(self, connection: Connection) -> list[FigureMinute]:
        """Give the devices' minutes that wait; an hour of them takes long to unpack."""
        table = schema.figure_minute.c
        # The numbers begin anew once all rows are gone; the newest's watch time never comes again.
        newest = select(func.count(), func.max(table.number), func.max(table.t_ms))
        mark = tuple(each or 0 for each in connection.execute(newest).one())
        if mark != self._waiting_mark:
            self._waiting, self._waiting_mark = upkeep.waiting_figures(connection).minutes, mark
        return self._waiting

    def _gathered(self, connection: Connection, sensor: str) -> list[Bucket]:
        """Go on where the last look ended, unless the tiers have come further, or names changed."""
        derived, renames = upkeep.derived_seq(connection), list(told.read_renames(connection))
        if derived != self._derived_seq or renames != self._renames:
            self._derived_seq, self._renames = derived, renames
            self._minutes = upkeep.Minutes(derived)
        while self._minutes.gather(connection):
            pass
        return self._minutes.gathered.buckets(sensor)


def _of_interval(
    query: Select[Any], utc_ms: Any, from_utc_ms: int | None, to_utc_ms: int | None
) -> Select[Any]:
    if from_utc_ms is not None:
        query = query.where(utc_ms >= from_utc_ms)
    return query if to_utc_ms is None else query.where(utc_ms < to_utc_ms)


def _require_current(database: Database) -> None:
    with database.reading() as connection:
        revision = check_revision(connection, database.path)
    if revision != schema.REVISIONS[-1]:
        raise StoreError(
            f"The store {database.path} has the schema of an older cabinetwatch; "
            "`cabinetwatch run` brings it up to date"
        )
