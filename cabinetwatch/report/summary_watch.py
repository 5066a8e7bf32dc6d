"""How the watch itself did in a week: uptime, starts, clock, notices, room. Pure."""

from collections.abc import Sequence
from datetime import time
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.notify.policy import QuietHours
from cabinetwatch.report.summary_due import Span
from cabinetwatch.report.summary_figures import WatchWeek
from cabinetwatch.report.summary_journal import History, between, length_s, within
from cabinetwatch.store.outbox import Posted
from cabinetwatch.store.room import Room
from cabinetwatch.watch.transition import Priority

LATE_S = 300.0
"""A notice that took longer, beside quiet hours, is late (common practice, no source)."""


class Told(NamedTuple):
    """The notices written in a week, and the quiet hours in which some of them waited."""

    posted: Sequence[Posted]
    quiet: QuietHours | None

    @classmethod
    def of(
        cls, posted: Sequence[Posted], quiet: tuple[time, time] | None, zone: ZoneInfo
    ) -> "Told":
        """Take notices, and quiet hours as they stand in the configuration."""
        return cls(posted, None if quiet is None else QuietHours(*quiet, zone))

    def counts(self) -> tuple[int, int, int, int]:
        """Give how many were delivered, how many of these late, how many failed, how many wait."""
        delivered = late = failed = waiting = 0
        for notice, outcome in self.posted:
            if outcome is None or outcome.status == "waiting":
                waiting += 1
            elif outcome.status == "failed":
                failed += 1
            elif outcome.status == "delivered":
                delivered += 1
                late += outcome.t - notice.t - self._held_ms((notice, outcome)) > LATE_S * 1000
        return delivered, late, failed, waiting

    def _held_ms(self, posted: Posted) -> int:
        """Give how long quiet hours held a notice back."""
        notice, _ = posted
        urgent = notice.kind != "summary" and any(
            each.priority is Priority.HIGH for each in notice.transitions
        )
        if self.quiet is None or urgent or notice.channel == "mqtt" or notice.kind == "test":
            return 0
        until_utc_ms = self.quiet.quiet_until(notice.utc_ms)
        return 0 if until_utc_ms is None else until_utc_ms - notice.utc_ms


def watch_week(
    history: History, week: Span, told: Told, readings: int, room: Room | None
) -> WatchWeek:
    """Give how the watch did.

    Args:
        history: its life.
        week: from when up to when; for one that is not over, up to now.
        told: the notices of the week.
        readings: taken in the week.
        room: of the store when the week closed; None long after.
    """
    running = within(history.spans, *week)
    off = between(running, *week)
    longest = max(off, key=lambda span: span[1] - span[0], default=None)
    delivered, late, failed, waiting = told.counts()
    starts = [in_order for utc_ms, in_order in history.starts if _in(utc_ms, week)]
    steps = [step_s for utc_ms, step_s in history.steps if _in(utc_ms, week)]
    cut_off = length_s(running) - length_s(within(history.connected, *week))
    return WatchWeek(
        is_first=None in starts,
        uptime=length_s(running) / max(1e-3, (week[1] - week[0]) / 1000),
        longest_off_s=0.0 if longest is None else length_s([longest]),
        longest_off_utc_ms=None if longest is None else longest[0],
        readings=readings,
        starts=len(starts),
        crashes=sum(in_order is False for in_order in starts),
        clock_steps=len(steps),
        largest_step_s=max(steps, key=abs, default=0.0),
        broker_losses=sum(_in(utc_ms, week) for utc_ms in history.disconnects),
        broker_lost_s=max(0.0, cut_off),
        store_faults=sum(_in(utc_ms, week) for utc_ms in history.store_faults),
        readings_lost=sum(count for utc_ms, count in history.lost if _in(utc_ms, week)),
        notices_delivered=delivered,
        notices_late=late,
        notices_failed=failed,
        notices_waiting=waiting,
        store_bytes=None if room is None else room.bytes,
        free_bytes=None if room is None else room.free_bytes,
        growth_bytes_per_day=None if room is None else room.growth_bytes_per_day,
        days_left=None if room is None else room.days_left,
    )


def _in(utc_ms: int, week: Span) -> bool:
    return week[0] <= utc_ms < week[1]
