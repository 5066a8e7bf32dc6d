"""Reading the tiers back: a figure over a stretch of time, as fine as asked for and as is kept.

What is not in the tiers yet is condensed on the spot, so that a reader sees all that is committed.
"""

from bisect import bisect_left
from collections.abc import Sequence
from operator import itemgetter
from typing import NamedTuple

from sqlalchemy import Connection, Table, func, select

from cabinetwatch.store.database import Database
from cabinetwatch.store.derive import TABLES, derived_seq, figures_in, merged
from cabinetwatch.store.minutes import Minutes, waiting_figures, waiting_mark
from cabinetwatch.store.renames import Renames, read_renames
from cabinetwatch.store.tier_block import TierBlock
from cabinetwatch.store.tiers import (
    DAY_MS,
    SENSOR_FIGURE,
    Bucket,
    FigureMinute,
    Tier,
    condense,
)

_LATELY = 8
"""The newest blocks of a subject in which its figures are looked for."""


class Series(NamedTuple):
    """A figure over time: buckets of `step_ms`, read from `tier`; where nothing is known, none."""

    tier: Tier
    step_ms: int
    buckets: list[Bucket]


class TierReader:
    """Answers questions about the tiers; remembers what it condensed of the newest readings."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._tail = _Tail()

    def series(
        self, subject: str, figure: str, from_utc_ms: int, to_utc_ms: int, points: int
    ) -> Series:
        """Give about `points` buckets over an interval.

        Args:
            subject: a sensor, whose one figure is "value", or a device.
            figure: its public name.
            from_utc_ms: the first instant.
            to_utc_ms: the instant after the last.
            points: how many buckets are wanted at most; at least 1.
        """
        span_ms = max(1, to_utc_ms - from_utc_ms)
        tier = Tier.MINUTES
        if _step(span_ms, points, tier) >= Tier.QUARTERS.width_ms or not self._has_minutes(
            subject, from_utc_ms
        ):
            tier = Tier.QUARTERS
        step_ms = _step(span_ms, points, tier)
        buckets = self.buckets(subject, figure, tier, from_utc_ms, to_utc_ms)
        return Series(tier, step_ms, condense(buckets, step_ms))

    def buckets(
        self, subject: str, figure: str, tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> list[Bucket]:
        """Give the buckets of a tier that begin in an interval, in order of time."""
        return self.columns(subject, (figure,), tier, from_utc_ms, to_utc_ms)[figure]

    def columns(
        self, subject: str, figures: Sequence[str], tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> dict[str, list[Bucket]]:
        """Give the buckets of several figures: their blocks are opened only once."""
        table = TABLES[tier]
        rows = (
            select(table.c.data)
            .where(
                table.c.subject == subject,
                table.c.day >= from_utc_ms // DAY_MS,
                table.c.day <= to_utc_ms // DAY_MS,
            )
            .order_by(table.c.day, table.c.number)
        )
        with self._database.reading() as connection:
            blocks = [TierBlock(data, tier.width_ms) for data in connection.scalars(rows)]
            tails = {figure: self._tail.buckets(connection, subject, figure) for figure in figures}
        found = {}
        for figure, tail in tails.items():
            column = merged(blocks, figure, tier)
            if tail:
                column = condense([*column, *condense(tail, tier.width_ms)], tier.width_ms)
            first, after = (
                bisect_left(column, utc_ms, key=itemgetter(0))
                for utc_ms in (from_utc_ms, to_utc_ms)
            )
            found[figure] = column[first:after]
        return found

    def figures_of(self, subject: str) -> list[str]:
        """Give the figures that a subject has had lately, sorted; none for an unknown one."""
        table = TABLES[Tier.MINUTES]
        newest = (
            select(table.c.data)
            .where(table.c.subject == subject)
            .order_by(table.c.day.desc(), table.c.number.desc())
            .limit(_LATELY)
        )
        with self._database.reading() as connection:
            data = connection.scalars(newest).all()
            figures = set(figures_in(TierBlock(each, Tier.MINUTES.width_ms) for each in data))
            figures |= self._tail.figures(connection, subject)
        return sorted(figures)

    def _has_minutes(self, subject: str, utc_ms: int) -> bool:
        """Whether the minutes reach back to an instant as far as the quarters do."""
        with self._database.reading() as connection:
            minutes = _first_day(connection, TABLES[Tier.MINUTES], subject)
            quarters = _first_day(connection, TABLES[Tier.QUARTERS], subject)
        if quarters is None:
            return True
        return minutes is not None and minutes <= max(quarters, utc_ms // DAY_MS)


class _Tail:
    """What is committed and not in the tiers yet."""

    def __init__(self) -> None:
        self._derived_seq = 0
        self._renames = Renames()
        self._minutes = Minutes(0)
        self._waiting: list[FigureMinute] = []
        self._waiting_mark: tuple[int, ...] = ()

    def buckets(self, connection: Connection, subject: str, figure: str) -> list[Bucket]:
        """Give the minutes of a figure, in no order and maybe in parts."""
        if figure == SENSOR_FIGURE:
            self._refresh(connection)
            return self._minutes.gathered.buckets(subject)
        return [
            minute.devices[subject][figure]
            for minute in self._waiting_now(connection)
            if figure in minute.devices.get(subject, {})
        ]

    def figures(self, connection: Connection, subject: str) -> set[str]:
        """Give the figures that a subject has here."""
        self._refresh(connection)
        waiting = self._waiting_now(connection)
        told = {figure for minute in waiting for figure in minute.devices.get(subject, {})}
        return told | ({SENSOR_FIGURE} if self._minutes.gathered.buckets(subject) else set())

    def _waiting_now(self, connection: Connection) -> list[FigureMinute]:
        """Give the devices' minutes that wait; an hour of them takes long to unpack."""
        mark = waiting_mark(connection)
        if mark != self._waiting_mark:
            self._waiting, self._waiting_mark = waiting_figures(connection).minutes, mark
        return self._waiting

    def _refresh(self, connection: Connection) -> None:
        """Go on where the last look ended, unless the tiers have come further, or names changed."""
        derived, renames = derived_seq(connection), read_renames(connection)
        if derived != self._derived_seq or renames != self._renames:
            self._derived_seq, self._renames = derived, renames
            self._minutes = Minutes(derived)
        while self._minutes.gather(connection):
            pass


def _first_day(connection: Connection, table: Table, subject: str) -> int | None:
    day: int | None = connection.scalar(
        select(func.min(table.c.day)).where(table.c.subject == subject)
    )
    return day


def _step(span_ms: int, points: int, tier: Tier) -> int:
    """Give the narrowest step in whole widths of the tier with no more than `points` of them."""
    widths = -(-span_ms // (tier.width_ms * max(1, points)))
    return max(1, widths) * tier.width_ms
