"""The notices that follow from transitions, named so that no two ever share an id."""

from dataclasses import replace

from cabinetwatch.notify.plan import plan
from cabinetwatch.store.notice import Notice
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.transition import Transition


class Planner:
    """Plans notices for an engine; owned by its thread.

    A notice is named after alarm, instant and state. An alarm without delays can come to the same
    state twice in one millisecond; the second notice must not be taken for the first.
    """

    def __init__(self) -> None:
        self._t = 0
        self._used: dict[str, int] = {}

    def plan(self, transitions: list[Transition], engine: Engine) -> list[Notice]:
        """Give the notices for transitions of `engine`, in their order."""
        return [
            self._named(notice)
            for notice in plan(transitions, engine.config)
            if notice.channel != "mqtt" or _has_place(notice, engine)
        ]

    def _named(self, notice: Notice) -> Notice:
        if notice.t != self._t:
            self._t, self._used = notice.t, {}
        count = self._used[notice.id] = self._used.get(notice.id, 0) + 1
        if count == 1:
            return notice
        message_id = notice.message_id.replace("@", f".{count}@", 1)
        return replace(notice, id=f"{notice.id}-{count}", message_id=message_id)


def _has_place(notice: Notice, engine: Engine) -> bool:
    """Whether the alarm still exists: the retained message of one that is gone is cleared."""
    return all(f"{each.subject}/{each.condition}" in engine.alarms for each in notice.transitions)
