"""Counts what came of a sensor and can't be judged, until somebody writes it down."""

from collections.abc import Iterable
from typing import Any

from cabinetwatch.intake.excerpt import excerpt
from cabinetwatch.store.unreadable import HOUR_MS, Unreadable

_LONGEST_PROBLEM = 200


class UnreadableCounts:
    """What was counted and not taken yet, by sensor and hour: bounded, whatever is sent."""

    def __init__(self) -> None:
        self._run_t = 0
        self._counts: dict[tuple[str, int], Unreadable] = {}

    def begin(self, run_t: int) -> None:
        """Learn the watch time (ms) at which this run began, as the journal has it."""
        self._run_t = run_t

    def note(self, sensors: Iterable[str], problem: str, t: int, utc_ms: int) -> None:
        """Take one message that could not be read for some sensors.

        Args:
            sensors: which should have had a value from it.
            problem: the first thing that is wrong with it.
            t: watch time of its arrival (ms).
            utc_ms: the same instant in UTC.
        """
        for sensor in sensors:
            key = sensor, utc_ms // HOUR_MS
            messages = self._counts[key].messages + 1 if key in self._counts else 1
            shown = excerpt(problem, _LONGEST_PROBLEM)
            self._counts[key] = Unreadable(sensor, self._run_t, t, utc_ms, messages, shown)

    def take(self) -> list[Unreadable]:
        """Take out what has been counted."""
        taken, self._counts = list(self._counts.values()), {}
        return taken


class UnheardCounts:
    """News for the engine of what came and can't be judged: at once, then ever more seldom.

    A sensor that sends nothing else for years is then told of every ten minutes.
    """

    FIRST_MS = 10_000
    LONGEST_MS = 600_000

    def __init__(self) -> None:
        self._counts: dict[str, dict[str, Any]] = {}
        self._next_t = 0
        self._pause_ms = self.FIRST_MS

    def note_unread(self, sensors: Iterable[str], problem: str) -> None:
        """Take one message that could not be read for some sensors."""
        for sensor in sensors:
            counts = self._counts.setdefault(sensor, {})
            counts["unreadable"] = counts.get("unreadable", 0) + 1
            counts["problem"] = excerpt(problem, _LONGEST_PROBLEM)

    def note_late(self, sensor: str, late_ms: int) -> None:
        """Take a reading that came so long after its own time that it is not judged."""
        counts = self._counts.setdefault(sensor, {})
        counts["late"] = counts.get("late", 0) + 1
        counts["late_ms"] = max(counts.get("late_ms", 0), late_ms)

    def take(self, now: int | None) -> dict[str, dict[str, Any]]:
        """Take out what was counted, by sensor, if it is time for it; None: it is.

        Args:
            now: watch time (ms).
        """
        if not self._counts or (now is not None and now < self._next_t):
            return {}
        if now is not None:
            quiet = now >= self._next_t + self._pause_ms
            self._pause_ms = self.FIRST_MS if quiet else min(2 * self._pause_ms, self.LONGEST_MS)
            self._next_t = now + self._pause_ms
        taken, self._counts = self._counts, {}
        return taken
