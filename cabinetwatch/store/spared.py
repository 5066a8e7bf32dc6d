"""Single readings that outlast their keeping time: those of the phases of a trial.

A trial is judged from single readings. Its report is asked for later than those are kept, and a
trial may last longer. So pruning goes past the blocks of its measured phases, and they stay as long
as minutes do.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from cabinetwatch.store.schema import journal
from cabinetwatch.store.tiers import DAY_MS
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.trials import MEASURED, TrialBook

LONGEST_SPARED_MS = 7 * DAY_MS
"""Most that is spared of one phase, from its begin: one that was forgotten must not fill the disk.
Our choice; no cabinet needs a week to settle."""

_DEEDS = ("trial-begin", "trial-phase", "trial-end")


class Spared(NamedTuple):
    """A phase of a trial, from one watch time up to another (ms)."""

    from_t: int
    to_t: int

    def overlaps(self, from_t: int, to_t: int) -> bool:
        """Whether something that lasted from one watch time to another lies partly within."""
        return from_t <= self.to_t and to_t >= self.from_t


def spared_phases(connection: Connection, now_t: int) -> list[Spared]:
    """Give the measured phases of all trials that the journal tells of; an open one lasts on."""
    book = TrialBook()
    for t, command in _told(connection):
        # The book is told watch time here, and every device is known: what the watch refused for
        # another reason is refused here too.
        try:
            book.take(command, {str(command.get("device")): None}, t)
        except ValueError:
            continue
    return list(_phases(book, now_t))


def _told(connection: Connection) -> Iterator[tuple[int, dict[str, object]]]:
    what = func.json_extract(journal.c.data, "$.command")
    query = (
        select(journal.c.t_ms, journal.c.data)
        .where(journal.c.kind == EntryKind.COMMAND.value, what.in_(_DEEDS))
        .order_by(journal.c.seq)
    )
    for row in connection.execute(query):
        yield row.t_ms, row.data


def _phases(book: TrialBook, now_t: int) -> Iterator[Spared]:
    for trial in book.trials.values():
        for name in MEASURED:
            interval = trial.interval(name)
            if interval is not None:
                from_t, to_t = interval
                until_t = now_t if to_t is None else to_t
                yield Spared(from_t, min(until_t, from_t + LONGEST_SPARED_MS))
