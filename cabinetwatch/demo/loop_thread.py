"""An asyncio event loop in a thread of its own, for servers that live beside threaded code."""

import asyncio
import logging
import threading
from collections.abc import Coroutine
from typing import Any, TypeVar

_LOG = logging.getLogger(__name__)
_T = TypeVar("_T")


class LoopThread:
    """Runs an event loop in a daemon thread; errors of what it runs are raised in the caller."""

    def __init__(self, name: str) -> None:
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(_note)
        self._thread = threading.Thread(target=self._loop.run_forever, name=name, daemon=True)
        self._thread.start()

    def call(self, work: Coroutine[Any, Any, _T], timeout_s: float = 10.0) -> _T:
        """Run a coroutine on the loop and hand back its result.

        Raises:
            TimeoutError: it took longer than `timeout_s`; it is cancelled.
            Exception: whatever the coroutine raised.
        """
        future = asyncio.run_coroutine_threadsafe(work, self._loop)
        try:
            return future.result(timeout_s)
        except TimeoutError:
            future.cancel()
            raise

    def stop(self, timeout_s: float = 10.0) -> None:
        """Cancel what still runs, end the loop and join its thread."""
        try:
            self.call(_cancel_others(), timeout_s)
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._loop.close()


async def _cancel_others() -> None:
    """Cancel every task but this one and wait for them, so that none is left half done."""
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)


def _note(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Log what went wrong in a connection; one bad client must not end a server."""
    del loop
    _LOG.debug("in the event loop: %s", context.get("message"), exc_info=context.get("exception"))
