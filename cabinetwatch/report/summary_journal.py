"""When the watch ran and what happened to it, in UTC, out of the journal. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from cabinetwatch.report.summary_due import Span
from cabinetwatch.watch.entry import Entry, EntryKind

KINDS = (
    EntryKind.START,
    EntryKind.STOP,
    EntryKind.OFFSET,
    EntryKind.CONNECT,
    EntryKind.DISCONNECT,
    EntryKind.STORE,
)
"""The entries that a history is made of."""


_FAR_MS = 60_000


@dataclass(slots=True)
class History:
    """The life of the watch; instants are UTC in ms, by the clock as it was then.

    `starts` has for each start whether the run before had ended in good order (None: it is the
    first). `steps` has by how many seconds the clock was put on. `store_faults` are the instants
    at which writing began to fail, `lost` the readings given up, told when it worked again.
    """

    spans: list[Span] = field(default_factory=list)
    connected: list[Span] = field(default_factory=list)
    starts: list[tuple[int, bool | None]] = field(default_factory=list)
    steps: list[tuple[int, float]] = field(default_factory=list)
    disconnects: list[int] = field(default_factory=list)
    store_faults: list[int] = field(default_factory=list)
    lost: list[tuple[int, int]] = field(default_factory=list)


class _Walk:
    """Goes through the journal on watch time, and writes down in UTC."""

    def __init__(self) -> None:
        self.history = History()
        self._offset_ms = 0
        self._running_since: int | None = None
        self._connected_since: int | None = None
        self._stopped = True
        self._stopped_t: int | None = None

    def take(self, entry: Entry) -> None:
        """Take the next entry."""
        if entry.kind is EntryKind.START:
            self._start(entry)
        elif entry.kind is EntryKind.STOP:
            self.end(entry.t)
            self._stopped, self._stopped_t = True, entry.t
        elif entry.kind is EntryKind.OFFSET:
            self._step(entry)
        elif entry.kind is EntryKind.CONNECT:
            self._connected_since = entry.t
        elif entry.kind is EntryKind.DISCONNECT:
            # First attempts that fail are told as such, too: only a connection can be lost.
            if self._connected_since is not None:
                self.history.disconnects.append(entry.t + self._offset_ms)
            self._disconnect(entry.t)
        elif entry.kind is EntryKind.STORE:
            self._store(entry)

    def end(self, t: int) -> None:
        """The watch ran up to here."""
        self._disconnect(t)
        if self._running_since is not None:
            self.history.spans.append(self._span(self._running_since, t))
        self._running_since = None

    def _start(self, entry: Entry) -> None:
        ran_until = entry.data.get("ran_until_ms")
        if self._running_since is not None:
            self.end(max(self._running_since, int(ran_until or entry.t)))
        self._offset_ms = int(entry.data["offset_ms"])
        in_order = None if ran_until is None else self._stopped
        if not entry.data.get("reloaded"):
            self.history.starts.append((entry.t + self._offset_ms, in_order))
        elif self._stopped_t is not None:
            # The same process went on: no restart, and nothing was missed meanwhile.
            self.history.spans.append(self._span(self._stopped_t, entry.t))
        self._running_since, self._stopped, self._stopped_t = entry.t, False, None

    def _step(self, entry: Entry) -> None:
        offset_ms = int(entry.data["offset_ms"])
        running, connected = self._running_since, self._connected_since
        self.end(entry.t)
        step_s = (offset_ms - self._offset_ms) / 1000
        self._offset_ms = offset_ms
        self.history.steps.append((entry.t + offset_ms, step_s))
        self._running_since = None if running is None else entry.t
        self._connected_since = None if connected is None else entry.t

    def _disconnect(self, t: int) -> None:
        if self._connected_since is not None:
            self.history.connected.append(self._span(self._connected_since, t))
        self._connected_since = None

    def _store(self, entry: Entry) -> None:
        utc_ms = entry.t + self._offset_ms
        if entry.data["ok"]:
            self.history.lost.append((utc_ms, int(entry.data.get("lost", 0))))
        else:
            self.history.store_faults.append(utc_ms)

    def _span(self, from_t: int, to_t: int) -> Span:
        return from_t + self._offset_ms, max(from_t, to_t) + self._offset_ms


def history_of(entries: Iterable[Entry], last_t: int | None) -> History:
    """Give the life of the watch.

    Args:
        entries: of KINDS, in order.
        last_t: how far it has come (watch ms).
    """
    walk = _Walk()
    for entry in entries:
        walk.take(entry)
    if last_t is not None:
        walk.end(last_t)
    return walk.history


def settled_since_t(entries: Iterable[Entry]) -> int | None:
    """Give since when (watch ms) the present run has gone on with a clock that was not stepped far.

    None: there was no start. A clock that is wrong for a moment must not close a week.

    Args:
        entries: starts and offsets, in order.
    """
    since: int | None = None
    offset_ms = 0
    for entry in entries:
        if entry.kind in (EntryKind.START, EntryKind.OFFSET):
            before, offset_ms = offset_ms, int(entry.data["offset_ms"])
            if entry.kind is EntryKind.START or abs(offset_ms - before) >= _FAR_MS:
                since = entry.t
    return since


def within(spans: Iterable[Span], from_utc_ms: int, to_utc_ms: int) -> list[Span]:
    """Give what lies of spans within an interval, joined where they touch, in order.

    After the clock was put back an instant may lie in two of them.

    >>> within([(0, 40), (30, 60), (80, 90)], 10, 85)
    [(10, 60), (80, 85)]
    """
    joined: list[Span] = []
    for start, end in sorted(spans):
        start, end = max(start, from_utc_ms), min(end, to_utc_ms)  # noqa: PLW2901
        if start >= end:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((start, end))
    return joined


def between(spans: Sequence[Span], from_utc_ms: int, to_utc_ms: int) -> list[Span]:
    """Give what an interval has left beside spans that `within` gave for it.

    >>> between([(10, 60), (80, 85)], 10, 85)
    [(60, 80)]
    """
    edges = [from_utc_ms, *(edge for span in spans for edge in span), to_utc_ms]
    return [(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True) if start < end]


def length_s(spans: Iterable[Span]) -> float:
    """Give the length of spans together, in seconds."""
    return sum(end - start for start, end in spans) / 1000
