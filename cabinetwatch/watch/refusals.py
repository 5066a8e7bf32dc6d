"""What could not be judged: set aside, told, bounded; and the way back to before it."""

import pickle
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from cabinetwatch.watch.events import Entry, Reading

HOUR_MS = 3_600_000
RESET_AFTER = 3
"""So many refused of one sensor within an hour: its devices' observers begin again."""
REST_MS = 60_000
"""For so long a sensor is not judged when even that has not helped: going back costs time."""
MOST_SUBJECTS = 20
LONGEST_EXCERPT = 120

MESSAGE, DEADLINE = "message", "deadline"
"""What is set aside: something that came, or the judging of something that did not."""


class Refusal(NamedTuple):
    """One input, or deadline, that was set aside: at which instant, of whom, what, and why."""

    t: int
    subject: str
    excerpt: str
    error: str
    messages: int = 1
    sensor: bool = False
    """Whether the subject is a sensor of the configuration."""
    what: str = MESSAGE

    @classmethod
    def told_by(cls, entry: Entry) -> "Refusal":
        """Read an entry that tells of something set aside."""
        data = entry.data
        subject, excerpt, error = (
            str(data[key])[:LONGEST_EXCERPT] for key in ("subject", "excerpt", "error")
        )
        return cls(entry.t, subject, excerpt, error, int(data["messages"]))


class Refusals:
    """By subject and kind the newest refusal and how many; the longest silent are forgotten."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], Refusal] = {}
        self._instants: dict[str, deque[int]] = {}
        self.rests: dict[str, int] = {}
        """Until when (watch ms) a sensor is not judged."""

    def note(self, refusal: Refusal) -> int:
        """Take one; say how many of its subject there were within the hour."""
        subject, t = refusal.subject, refusal.t
        key = subject, refusal.what
        before = self._newest.pop(key, None)
        if before is not None:
            refusal = refusal._replace(messages=before.messages + refusal.messages)
        self._newest[key] = refusal
        instants = self._instants.setdefault(subject, deque(maxlen=RESET_AFTER + 1))
        instants.append(t)
        self._instants[subject] = self._instants.pop(subject)
        if len(self._newest) > MOST_SUBJECTS:
            del self._newest[next(iter(self._newest))]
        if len(self._instants) > MOST_SUBJECTS:
            del self._instants[next(iter(self._instants))]
        return sum(1 for instant in instants if t - instant < HOUR_MS)

    def is_resting(self, subject: str, t: int) -> bool:
        """Whether a sensor that is left out rests still: what it says is counted. Else it ends."""
        if t >= self.rests[subject]:
            del self.rests[subject]
            return False
        key = subject, MESSAGE
        if (before := self._newest.get(key)) is not None:
            self._newest[key] = before._replace(messages=before.messages + 1)
        return True

    @property
    def last(self) -> Refusal | None:
        """The newest of all."""
        return next(reversed(self._newest.values()), None)

    @property
    def all(self) -> list[Refusal]:
        """The newest of each subject, the newest last."""
        return list(self._newest.values())

    def forget(self) -> None:
        """Nothing was refused for long: count anew."""
        self._newest.clear()

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "newest": [list(each) for each in self._newest.values()],
            "instants": {name: list(times) for name, times in self._instants.items()},
            "rests": dict(self.rests),
        }

    @classmethod
    def load(cls, state: Mapping[str, Any]) -> "Refusals":
        """Go on from a saved state; one of an earlier version knows of none."""
        new = cls()
        for refusal in (Refusal(*each) for each in state.get("newest", ())):
            new._newest[refusal.subject, refusal.what] = refusal
        for subject, times in state.get("instants", {}).items():
            new._instants[subject] = deque(times, maxlen=RESET_AFTER + 1)
        new.rests.update(state.get("rests", {}))
        return new


def renamed_refusals(state: Mapping[str, Any], called: Callable[[str], str]) -> dict[str, Any]:
    """Give a saved state with other names of sensors."""
    return {
        "newest": [[t, called(name), *rest] for t, name, *rest in state["newest"]],
        "instants": {called(name): times for name, times in state["instants"].items()},
        "rests": {called(name): until_t for name, until_t in state["rests"].items()},
    }


def describe_error(error: BaseException) -> str:
    """Say in a few words what an exception says: its kind and the beginning of its text."""
    try:
        text = str(error)
    except Exception:  # noqa: BLE001 - an exception without words is named by its kind
        text = ""
    kind = type(error).__name__
    return f"{kind}: {text[:LONGEST_EXCERPT]}" if text else kind


MOST_SINCE = 16_000
"""Inputs after which the state is kept anew: some 3 MB, and a third of a second to go back."""
MANY_SINCE = 500
"""After a way back that was longer than this it is kept anew: the next may come soon."""

Waited = tuple[int, str, float]
"""A reading with a time of its own (watch ms): sensor and value."""
Passed = tuple[int, int | Waited | None]
"""What fell due and is not judged: the instant, and the order of a deadline, a reading that had
waited, or None for all of that instant."""


class RestorePoint:
    """The engine as it once stood, and what it has been told since.

    An input costs an entry in a list, so the hot path hardly notices. Judging is deterministic: the
    same inputs, again, give the state as if the bad one had never come.
    """

    def __init__(self) -> None:
        self.since: list[Reading | Entry | Refusal] = []
        self.passed: dict[Passed, str] = {}
        """What fell due since and could not be judged, and why."""
        self._kept: bytes | None = None
        self._advanced: tuple[int, int] | None = None

    def keep(self, state: Mapping[str, Any]) -> None:
        """Let this be where a way back begins."""
        # Pickle copies what the engine goes on changing. It never leaves this process.
        self._kept = pickle.dumps(state, protocol=pickle.HIGHEST_PROTOCOL)
        self.since.clear()
        self.passed.clear()
        self._advanced = None

    def kept(self) -> dict[str, Any] | None:
        """Give what was kept; None: an engine that had been told nothing."""
        if self._kept is None:
            return None
        state: dict[str, Any] = pickle.loads(self._kept)  # noqa: S301 - our own, from memory
        return state

    def advanced(self, to: int) -> None:
        """Time was let pass up to and including an instant, after the last input."""
        self._advanced = to, len(self.since)

    @property
    def advanced_to(self) -> int | None:
        """How far time was let pass since the last input; None where it was not."""
        if self._advanced is None or self._advanced[1] != len(self.since):
            return None
        return self._advanced[0]
