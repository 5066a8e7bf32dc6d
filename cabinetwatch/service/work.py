"""What the engine's thread hands to the store's: inputs, and everything that followed from them."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from cabinetwatch.store.batch import Repeatable
from cabinetwatch.store.notice import Notice, Outcome
from cabinetwatch.store.tiers import FigureMinute
from cabinetwatch.store.unreadable import Unreadable, merge
from cabinetwatch.store.weeks import ClosedWeek
from cabinetwatch.watch.entry import Entry
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.transition import Transition


class Receipt(NamedTuple):
    """A message to acknowledge once what it brought is on disk, on its own connection only."""

    epoch: int
    packet_id: int


@dataclass(slots=True)
class Work:
    """Everything since the last hand-over, in the order the engine was told.

    `advanced_to` (watch ms) and `offset_ms` stand as the engine left them; None in work that does
    not come from it. `state` is the engine as it stood after the last of `inputs`. With `forget`
    the session before was lost, and what `window` holds came after. `done` are set once all of it
    is on disk.
    """

    advanced_to: int | None = None
    offset_ms: int | None = None
    inputs: list[Reading | Entry] = field(default_factory=list)
    window: list[Repeatable] = field(default_factory=list)
    receipts: list[Receipt] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    handled: list[tuple[int, Mapping[str, Any]]] = field(default_factory=list)
    figures: list[FigureMinute] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    weeks: list[ClosedWeek] = field(default_factory=list)
    state: bytes | None = None
    journaled: bool = False
    forget: bool = False
    done: list[threading.Event] = field(default_factory=list)

    def forget_session(self) -> None:
        """The broker has lost the session: no message of it can come again."""
        self.window = []
        self.forget = True

    def take_receipts(self, most: int) -> list[Receipt]:
        """Take out the oldest receipts, at most so many."""
        taken = self.receipts[:most]
        del self.receipts[:most]
        return taken

    @property
    def urgent(self) -> bool:
        """Whether it must be on disk at once: somebody waits for it."""
        answers = self.outcomes or self.handled or self.weeks or self.state
        return bool(self.transitions or self.notices or answers or self.journaled)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write or to acknowledge; what is `unreadable` can wait."""
        return not (self.inputs or self.receipts or self.figures or self.urgent)

    def append(self, later: "Work") -> None:
        """Put what came later behind this."""
        if later.advanced_to is not None:
            self.advanced_to, self.offset_ms = later.advanced_to, later.offset_ms
        self.journaled = self.journaled or later.journaled
        if later.inputs or later.state is not None:
            # A state that is saved must know all that is written with it, or a start would miss it.
            self.state = later.state
        self.inputs += later.inputs
        if later.forget:
            self.window.clear()
        self.window += later.window
        self.forget = self.forget or later.forget
        self.receipts += later.receipts
        self.transitions += later.transitions
        self.notices += later.notices
        self.outcomes += later.outcomes
        self.handled += later.handled
        self.figures += later.figures
        if later.unreadable:
            self.unreadable = merge(self.unreadable, later.unreadable)
        self.weeks += later.weeks
        self.done += later.done
