"""When the store is kept in order: a round every hour, in steps, or when asked."""

import logging
from collections.abc import Generator
from typing import Any

from cabinetwatch.errors import StoreError
from cabinetwatch.store.prune import Keeping, Now
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import SPARE_PAGES

_log = logging.getLogger(__name__)

ROUND_MS = 3_600_000
"""Seldom enough that what a round writes is little, beside the readings themselves."""
_AFTER_THE_HOUR_MS = 30_000
"""What belongs to the hour has been written by then."""
_FIRST_ROUND_MS = 60_000
PRUNE_AFTER_MS = 3_600_000
"""Nothing is let go in the first hour: by then a clock that woke up wrong has been set."""
_REST = 4
"""A step is followed by so many times its own length of rest."""
LITTLE_LEFT_DAYS = 30
"""A disk that will be full sooner is worth a word."""
_WARN_EVERY_MS = 86_400_000

Round = Generator[object, None, str]
"""Steps, each short; at the end a sentence on what came of them."""

Answer = tuple[int, dict[str, Any]]
"""The row of a command, and its result."""


def thorough_round(store: Store, now: Now, keeping: Keeping) -> Round:
    """Bring the tiers up, let go of all that is old, and give all the space back."""
    before = store.room().bytes
    yield from store.tidy(now)
    gone = 0
    for rows in store.clear(now, keeping, spare_pages=0):
        gone += rows
        yield rows
    return (
        f"{gone or 'No'} row{'' if gone == 1 else 's'} pruned; the store takes "
        f"{megabytes(store.room().bytes)} now, and took {megabytes(before)} before."
    )


def megabytes(size: float) -> str:
    """Write a size for people."""
    return f"{size / 1e6:z.1f} MB"


class Housekeeping:
    """The rounds of upkeep. Owned by the store's thread, which calls `step` when it has time.

    `due_t` (watch ms) says when there is something to do.
    """

    def __init__(self, store: Store, keeping: Keeping, started_t: int) -> None:
        self._store = store
        self._keeping = keeping
        self._started_t = started_t
        self._round: Round | None = None
        self._asked: list[int] = []
        self._answering: list[int] = []
        self._next_warning_t = started_t
        self.due_t = started_t + _FIRST_ROUND_MS

    def ask(self, row: int, now_t: int) -> None:
        """Begin a thorough round next, for the command in `row`."""
        self._asked.append(row)
        self.due_t = min(self.due_t, now_t)

    def step(self, now: Now) -> list[Answer]:
        """Do the next step, if one is due; give the commands that it answers."""
        if now.t < self.due_t:
            return []
        if self._round is None:
            self._answering, self._asked = self._asked, []
            thorough = bool(self._answering)
            self._round = self._thorough(now) if thorough else self._ordinary(now)
        try:
            next(self._round)
        except StopIteration as end:
            return self._end(now, ok=True, text=str(end.value))
        except StoreError as error:
            _log.warning("the store's upkeep was given up for now: %s", error)
            return self._end(now, ok=False, text=str(error))
        return []

    def rest(self, took_ms: int, now_t: int) -> None:
        """Leave time to others after a step that took so long, when its round goes on."""
        if self._round is not None:
            self.due_t = now_t + _REST * took_ms

    def _end(self, now: Now, *, ok: bool, text: str) -> list[Answer]:
        """Close the round and say when the next is due."""
        self._round = None
        since_round_ms = (now.utc_ms - _AFTER_THE_HOUR_MS) % ROUND_MS
        self.due_t = now.t if self._asked else now.t + ROUND_MS - since_round_ms
        answers: list[Answer] = [(row, {"ok": ok, "text": text}) for row in self._answering]
        self._answering = []
        return answers

    def _thorough(self, now: Now) -> Round:
        return thorough_round(self._store, now, self._keeping)

    def _ordinary(self, now: Now) -> Round:
        yield from self._store.tidy(now)
        if now.t - self._started_t >= PRUNE_AFTER_MS:
            yield from self._store.clear(now, self._keeping, SPARE_PAGES)
        self._warn(now.t)
        return ""

    def _warn(self, now_t: int) -> None:
        """Say once a day when the disk will soon be full."""
        days_left = self._store.room().days_left
        if days_left is None or days_left >= LITTLE_LEFT_DAYS or now_t < self._next_warning_t:
            return
        self._next_warning_t = now_t + _WARN_EVERY_MS
        _log.warning("the disk of the store will be full in %.0f days, as it grows now", days_left)
