"""The log of messages that could not be read: counted always, written rarely."""

import logging
from collections.abc import Iterable

from cabinetwatch.intake.excerpt import excerpt
from cabinetwatch.times import describe_duration

_log = logging.getLogger(__name__)

_QUIET_MS = 600_000
# Topics told apart; whoever may publish may invent topics, so the rest share one entry.
_MOST_TOPICS = 256
_OTHERS = "other topics"


class ProblemLog:
    """Writes at most one line in ten minutes for each topic, with what it left out since.

    `count` is the number of problems so far.
    """

    def __init__(self) -> None:
        self.count = 0
        self._last_t: dict[str, int] = {}
        self._left_out: dict[str, int] = {}

    def note(self, topic: str, problems: Iterable[str], t: int) -> None:
        """Take the problems of one message that arrived at watch time `t` (ms)."""
        for problem in problems:
            self.count += 1
            self._note_one(topic, problem, t)

    def _note_one(self, topic: str, problem: str, t: int) -> None:
        shown = excerpt(topic)
        known = shown in self._last_t or len(self._last_t) < _MOST_TOPICS
        key = shown if known else _OTHERS
        last_t = self._last_t.get(key)
        if last_t is not None and t - last_t < _QUIET_MS:
            self._left_out[key] = self._left_out.get(key, 0) + 1
            return
        self._last_t[key] = t
        left_out = self._left_out.pop(key, 0)
        more = ""
        if left_out and last_t is not None:
            more = f" ({left_out} more in the last {describe_duration((t - last_t) / 1000)})"
        _log.warning("%s: %s%s", shown, excerpt(problem, 300), more)
