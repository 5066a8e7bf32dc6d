"""Standing high alarms that nobody has acknowledged, and when each is told again. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cabinetwatch.notify.policy import next_repeat_t
from cabinetwatch.store.notice import Notice
from cabinetwatch.watch.transition import Priority, Transition


@dataclass(slots=True)
class _Standing:
    transition: Transition
    due_t: int


@dataclass(frozen=True, slots=True)
class DueRepeat:
    """Raises to be told again together: of one cause, due at one instant (watch time, ms)."""

    due_t: int
    transitions: tuple[Transition, ...]


class Repeats:
    """Follows the transitions and says which raises are due to be told again."""

    def __init__(self, repeat_s: float) -> None:
        self._repeat_s = repeat_s
        self._standing: dict[str, _Standing] = {}

    def restore(self, standing: Iterable[Transition], told: Mapping[str, int]) -> None:
        """Go on after a restart; of several repeats missed meanwhile one is made good.

        Args:
            standing: The last transition of each alarm that is not normal.
            told: For each occurrence, the watch time (ms) of the newest notice that told of it.
        """
        for transition in standing:
            if not _is_repeated(transition):
                continue
            told_t = max(transition.t, told.get(transition.id, transition.t))
            due_t = next_repeat_t(transition.t, told_t, self._repeat_s)
            self._standing[transition.id] = _Standing(transition, due_t)

    def observe(self, transitions: Iterable[Transition]) -> None:
        """Take transitions in the order in which they happened."""
        for transition in transitions:
            if _is_repeated(transition):
                due_t = next_repeat_t(transition.t, transition.t, self._repeat_s)
                self._standing[transition.id] = _Standing(transition, due_t)
            else:
                self._standing.pop(transition.id, None)

    def take_due(self, t: int) -> list[DueRepeat]:
        """Give what is due at watch time `t` and set each to its next instant after `t`."""
        groups: dict[tuple[int, str], list[Transition]] = {}
        for standing in self._standing.values():
            if standing.due_t <= t:
                key = (standing.due_t, standing.transition.cause)
                groups.setdefault(key, []).append(standing.transition)
                standing.due_t = next_repeat_t(standing.transition.t, t, self._repeat_s)
        return [DueRepeat(due_t, tuple(group)) for (due_t, _), group in sorted(groups.items())]

    @property
    def next_due_t(self) -> int | None:
        """Watch time of the next repeat, None when nothing stands."""
        return min((standing.due_t for standing in self._standing.values()), default=None)


def last_told(notices: Iterable[Notice]) -> dict[str, int]:
    """Give for each occurrence the watch time (ms) of the newest notice that raised it."""
    told: dict[str, int] = {}
    for notice in notices:
        for transition in notice.transitions:
            if transition.is_raise:
                told[transition.id] = max(notice.t, told.get(transition.id, notice.t))
    return told


def _is_repeated(transition: Transition) -> bool:
    return transition.is_raise and transition.priority is Priority.HIGH
