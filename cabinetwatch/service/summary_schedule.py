"""Ticks: the scheduler only says that it is time to look; what is due follows from the store.

The scheduler goes by the wall clock, which may be put forward by decades (a machine without a
battery clock) or back. Its own interval would then run once for every interval that was skipped, or
not at all until the clock is where it was.
"""

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

EVERY_S = 60.0

_JOB = "tick"


class FromNow(BaseTrigger):  # type: ignore[misc]
    """Fires so many seconds from now on, whenever it is asked: what was missed is missed."""

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Give the next time, which is always ahead of now."""
        del previous_fire_time
        return now + self._every


class Ticker:
    """Calls a function every so often, in a thread of its own, from the start on.

    Args:
        tick: short, and safe to call from another thread.
        every_s: the seconds between two calls.
    """

    def __init__(self, tick: Callable[[], None], every_s: float = EVERY_S) -> None:
        # It tells of every run otherwise.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._scheduler = BackgroundScheduler(
            timezone=UTC, executors={"default": DebugExecutor()}, daemon=True
        )
        # However late: a tick that comes after a suspended night is as good as any.
        self._scheduler.add_job(
            tick, FromNow(every_s), id=_JOB, misfire_grace_time=None, coalesce=True
        )

    def start(self) -> None:
        """Begin, with a call at once."""
        self._scheduler.start()
        self.clock_stepped()

    def clock_stepped(self) -> None:
        """The wall clock was put forward or back: call at once, and count anew from there."""
        if self._scheduler.running:
            self._scheduler.modify_job(_JOB, next_run_time=datetime.now(UTC))

    def stop(self) -> None:
        """End; no call comes after this."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
