"""A part of the daemon: one thread that owns one thing, whose death is never overlooked."""

import logging
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable

from cabinetwatch.clock import Clock, WatchTime

_log = logging.getLogger(__name__)


class Part(ABC):
    """A named thread. An error that ends it is kept and reported, so that the whole can stop."""

    def __init__(self, name: str, on_failure: Callable[[str, BaseException], None]) -> None:
        self.name = name
        self._on_failure = on_failure
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    @abstractmethod
    def run(self) -> None:
        """Do the part's work until told to stop."""

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end; say whether it did."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _guarded(self) -> None:
        try:
            self.run()
        except BaseException as error:  # noqa: BLE001 - whatever ends a part must end the daemon
            _log.critical("the %s thread has died: %r", self.name, error, exc_info=error)
            self._on_failure(self.name, error)


class WatchedPart(Part):
    """A part that lives on watch time, and that the watchdog judges by its progress."""

    def __init__(
        self,
        name: str,
        on_failure: Callable[[str, BaseException], None],
        *,
        watch: WatchTime,
        clock: Clock,
    ) -> None:
        super().__init__(name, on_failure)
        self._watch = watch
        self._clock = clock
        self._stopping = False
        self.progress_t = watch.now_ms()
        """Watch time of the last sign of life, for the watchdog."""
