"""Carries over, beside the watch, what can be read of a damaged store that was set aside."""

import json
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.service.child import output_of
from cabinetwatch.service.engine_loop import Told
from cabinetwatch.service.part import Part
from cabinetwatch.store.place import Salvage, database_url, end_salvage
from cabinetwatch.text import counted
from cabinetwatch.watch.entry import EntryKind

_log = logging.getLogger(__name__)

_TIMEOUT_S = 86_400.0
_NOTHING = (
    "nothing of the damaged one could be carried over: readings, alarms and what was learnt before"
    " are missing"
)


class SalvageLoop(Part):
    """One child, which ends; then it is told what could not be read.

    Args:
        path: of the new store.
        salvage: what is to be carried over into it.
        tell: takes news for the engine: a store fault, and its end.
        on_failure: takes what ends the thread.
    """

    def __init__(
        self,
        path: Path,
        salvage: Salvage,
        tell: Callable[[Told], None],
        on_failure: Callable[[str, BaseException], None],
    ) -> None:
        super().__init__("salvage", on_failure)
        self._path = path
        self._aside = salvage.aside
        self._salvage = salvage
        self._tell = tell
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End the child; the next start does it again."""
        self._stopping.set()

    def run(self) -> None:
        """Carry over, and tell. Nothing that goes wrong here stops the watch."""
        was = f"The store was damaged; it was set aside as {self._aside.name}"
        if self._salvage.error:
            self._say(ok=False, error=f"{was}, and nothing could be carried over")
            end_salvage(self._path)
            self._say(ok=True, note=f"{_NOTHING} ({self._salvage.error})")
            return
        self._say(ok=False, error=f"{was}, and what can be read of it is being carried over")
        try:
            url = database_url(self._path)
            module = "cabinetwatch.store.salvage"
            done = json.loads(output_of(module, ("rest", url), _TIMEOUT_S, self._stopping))
            end_salvage(self._path)
        except (CabinetwatchError, OSError, ValueError) as error:
            if not self._stopping.is_set():
                _log.error("what can be read of %s is not carried over: %s", self._aside, error)
                self._say(ok=False, error=f"{was}. {error}")
            return
        if not done:
            return
        note = _words(done) if self._salvage.last_seq else _NOTHING
        _log.warning("%s; %s", was, note)
        self._say(ok=True, lost=done["lost"]["inputs"], note=note)

    def _say(self, **data: Any) -> None:
        self._tell(Told(EntryKind.STORE, {"error": "", "lost": 0, "set_aside": True} | data))


def _words(done: dict[str, Any]) -> str:
    """Say what came over and what did not."""
    count, lost = done["readings"], done["lost"]
    carried = f"{counted(count, 'reading')} {'was' if count == 1 else 'were'} carried over"
    if not lost["inputs"]:
        return f"{carried}, and none is missing among them"
    since = lost["from"] or "the first"
    until = lost["to"] or "the last"
    gone = counted(lost["inputs"], "reading")
    return f"{carried}; {gone} between {since} and {until} could not be read"
