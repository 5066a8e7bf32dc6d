"""The mails of weekly summaries that were made and wait to be sent."""

import threading
from collections.abc import Callable, Collection

from cabinetwatch.notify.channels.email import NotComposedError
from cabinetwatch.store.notice import Notice


class SummaryMails:
    """Handed from the thread that has them made to the one that sends.

    Args:
        wanted: called when one is asked for that is not there, as after a restart.
    """

    def __init__(self, wanted: Callable[[], None]) -> None:
        self._wanted = wanted
        self._lock = threading.Lock()
        self._ready: dict[str, bytes] = {}
        self._errors: dict[str, str] = {}

    def put(self, notice_id: str, content: bytes) -> None:
        """Keep a mail until it is sent."""
        with self._lock:
            self._ready[notice_id] = content
            self._errors.pop(notice_id, None)

    def fail(self, notice_id: str, error: str) -> None:
        """Note why a mail can't be made; it will be tried again."""
        with self._lock:
            self._errors[notice_id] = error

    def keep_only(self, waiting: Collection[str]) -> None:
        """Forget the mails that are no longer waited for."""
        with self._lock:
            for notice_id in self._ready.keys() - set(waiting):
                del self._ready[notice_id]
            for notice_id in self._errors.keys() - set(waiting):
                del self._errors[notice_id]

    def has(self, notice_id: str) -> bool:
        """Whether a mail is there."""
        with self._lock:
            return notice_id in self._ready

    def compose(self, notice: Notice) -> bytes:
        """Give the mail of a notice.

        Raises:
            NotComposedError: it is not there yet, or can't be made.
        """
        with self._lock:
            content, error = self._ready.get(notice.id), self._errors.get(notice.id)
        if content is not None:
            return content
        self._wanted()
        if error is None:
            raise NotComposedError("the weekly summary is being made", in_the_making=True)
        raise NotComposedError(f"the weekly summary can't be made: {error}")
