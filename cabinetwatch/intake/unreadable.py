"""Counts the messages that a sensor could not be read from, until somebody writes them down."""

from collections.abc import Iterable

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
