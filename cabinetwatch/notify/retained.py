"""What the broker keeps of alarms that stand, for one that has lost its memory. Pure."""

from collections.abc import Iterable

from cabinetwatch.watch.transition import AlarmState, Transition

_Key = tuple[str, str]


class RetainedAlarms:
    """Follows what was published last of each alarm that is not normal.

    What stands and what was published are held apart: a transition that is not committed yet, or
    waits in the queue, must not be published ahead of its turn; and one that waited until its alarm
    was no longer in the configuration must not be published again.
    """

    def __init__(self) -> None:
        self._standing: set[_Key] = set()
        self._published: dict[_Key, Transition] = {}

    def restore(self, standing: Iterable[Transition]) -> None:
        """Go on after a restart, from the last transition of each alarm that is not normal."""
        for transition in standing:
            self._standing.add(_key(transition))
            self._published[_key(transition)] = transition

    def observe(self, transition: Transition) -> None:
        """Take a transition when it happens."""
        key = _key(transition)
        if transition.state is AlarmState.NORMAL:
            self._standing.discard(key)
            self._published.pop(key, None)
        else:
            self._standing.add(key)

    def published(self, transitions: Iterable[Transition]) -> None:
        """Take transitions when the broker has confirmed them."""
        for transition in transitions:
            key = _key(transition)
            if key in self._standing and transition.state is not AlarmState.NORMAL:
                self._published[key] = transition

    def all(self) -> list[Transition]:
        """Give what a broker should keep, in the order in which it happened."""
        return sorted(self._published.values(), key=lambda each: each.t)


def _key(transition: Transition) -> _Key:
    return transition.subject, transition.condition
