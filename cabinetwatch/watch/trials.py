"""Trials under way and past: which phase of which change of cooling, from when to when.

They are derived from the commands `trial-begin`, `trial-phase` and `trial-end` in the journal.
"""

import re
from collections.abc import Container, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

from cabinetwatch.text import printable

PHASES = ("zero", "before", "change", "after")

MEASURED = ("zero", "before", "after")
"""Phases that count; what is read during `change` does not."""

CHANGED = frozenset({"change", "after"})
"""Phases in which the cooling is no longer what was learnt as normal."""

_NAME = re.compile(r"[a-z0-9-]{1,64}")
_LONGEST_CHANGE = 500


class PhaseMark(NamedTuple):
    """A phase began at an instant (UTC in ms)."""

    phase: str
    utc_ms: int


@dataclass
class TrialRecord:
    """One trial as it was told. A phase lasts until the next one, or the end of the trial."""

    name: str
    device: str
    change: str
    begun_utc_ms: int
    ended_utc_ms: int | None = None
    marks: list[PhaseMark] = field(default_factory=list)

    @property
    def open(self) -> bool:
        """Whether it has not been ended."""
        return self.ended_utc_ms is None

    @property
    def phase(self) -> str | None:
        """The phase it is in; None before the first and after the end."""
        return self.marks[-1].phase if self.open and self.marks else None

    @property
    def since_utc_ms(self) -> int:
        """When its phase began; its own beginning before the first."""
        return self.marks[-1].utc_ms if self.marks else self.begun_utc_ms

    def interval(self, phase: str) -> tuple[int, int | None] | None:
        """Give from when to when a phase lasted: its last one, when it was begun anew.

        The end is None for one that still lasts; the whole is None when there was none.
        """
        end_ms = self.ended_utc_ms
        for mark in reversed(self.marks):
            if mark.phase == phase:
                return mark.utc_ms, end_ms
            end_ms = mark.utc_ms
        return None


class TrialBook:
    """All trials of a site, by name, in the order in which they began."""

    def __init__(self) -> None:
        self.trials: dict[str, TrialRecord] = {}

    def open_of(self, device: str) -> TrialRecord | None:
        """Give the trial under way on a device."""
        return next((t for t in self.trials.values() if t.device == device and t.open), None)

    def take(self, command: Mapping[str, Any], known: Container[str], utc_ms: int) -> str:
        """Carry out `trial-begin`, `trial-phase` or `trial-end`, told now; say what is so.

        Args:
            command: one of these.
            known: the IDs of all devices.
            utc_ms: when it was told.

        Raises:
            ValueError: it can't be done; the text says why.
        """
        name = str(command.get("trial"))
        if command.get("command") == "trial-begin":
            return self._begin(name, command, known, utc_ms)
        trial = self.trials.get(name)
        if trial is None:
            raise ValueError(self.lacks(name))
        if not trial.open:
            raise ValueError(f"The trial {name} has ended already")
        if command.get("command") == "trial-end":
            trial.ended_utc_ms = utc_ms
            return f"The trial {name} of {trial.device} has ended."
        phase = str(command.get("phase"))
        if phase not in PHASES:
            raise ValueError(f"There is no phase {phase!r}; there are {', '.join(PHASES)}")
        if phase in CHANGED and trial.interval("before") is None:
            raise ValueError(
                f"The trial {name} has no before phase yet, so nothing could be compared with"
            )
        anew = " anew" if trial.interval(phase) is not None else ""
        trial.marks.append(PhaseMark(phase, utc_ms))
        return f"The {phase} phase of {name} has begun{anew}."

    def _begin(
        self, name: str, command: Mapping[str, Any], known: Container[str], utc_ms: int
    ) -> str:
        device = str(command.get("device"))
        check_name(name)
        if device not in known:
            raise ValueError(f"There is no device {device!r}")
        if name in self.trials:
            raise ValueError(f"There is a trial {name} already; give this one another name")
        under_way = self.open_of(device)
        if under_way is not None:
            raise ValueError(
                f"The trial {under_way.name} of {device} is still open; end it first"
                f" (cabinetwatch trial end {under_way.name})"
            )
        change = printable(str(command.get("change", "")))[:_LONGEST_CHANGE]
        self.trials[name] = TrialRecord(name, device, change, utc_ms)
        return f"The trial {name} of {device} has begun; now say which phase: zero, or before."

    def lacks(self, name: str) -> str:
        """Say that there is no such trial, and which there are."""
        return f"There is no trial {name!r}; those there are: {', '.join(self.trials) or 'none'}"

    def save(self) -> list[dict[str, Any]]:
        """Give all trials as JSON-able values."""
        return [asdict(trial) for trial in self.trials.values()]

    def load(self, state: list[dict[str, Any]]) -> None:
        """Go on from saved trials."""
        trials = [
            TrialRecord(**each | {"marks": [PhaseMark(*mark) for mark in each["marks"]]})
            for each in state
        ]
        self.trials = {trial.name: trial for trial in trials}


def check_name(name: str) -> None:
    """Refuse a name that could not be typed again.

    Raises:
        ValueError: it has other letters than a to z, digits and hyphens, or is too long.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(
            f"{printable(name)!r} can't name a trial; use a to z, digits and hyphens, 64 at the"
            " most, such as slow-fan"
        )
