"""The acknowledgements of one connection: sent in the order in which the messages came."""

from collections import Counter, deque


class Acknowledgements:
    """Messages of one connection that the broker has not been told we keep.

    PUBACKs must go out in the order of arrival (MQTT 5.0 and 3.1.1, section 4.6), in whatever order
    the messages are done with. Watch times are in ms.

    Args:
        window: how many may be outstanding before the broker sends no more.

    While the window is full, or we leave the socket unread (`hold`), nothing can arrive.
    """

    def __init__(self, window: int) -> None:
        self._window = window
        self._arrived: deque[int] = deque()
        # Counted, for a broker that breaks the rules and uses an identifier twice at once.
        self._done: Counter[int] = Counter()
        self._full = False
        self._held = False
        self._stalled_since_t: int | None = None
        self._stalled_ms = 0

    def __len__(self) -> int:
        return len(self._arrived)

    def arrive(self, packet_id: int, t: int) -> None:
        """A message came in at `t`."""
        if self._full:
            # It came although the window was thought to be full: this broker's is wider.
            self._window = 2 * len(self._arrived)
            self._full = False
            self._stalled_since_t = None
        self._arrived.append(packet_id)
        self._full = len(self._arrived) >= self._window
        self._note_stall(t)

    def hold(self, t: int, *, held: bool) -> None:
        """From `t` on the socket is left unread, or it no longer is."""
        self._held = held
        self._note_stall(t)

    def done(self, packet_id: int) -> None:
        """A message is durably kept, or not wanted."""
        self._done[packet_id] += 1

    def sendable(self, t: int) -> list[int]:
        """Take out the identifiers whose turn has come at `t`."""
        identifiers: list[int] = []
        while self._arrived and self._done[self._arrived[0]]:
            packet_id = self._arrived.popleft()
            identifiers.append(packet_id)
            self._done[packet_id] -= 1
            if not self._done[packet_id]:
                # Or all the identifiers there are would be kept in the end.
                del self._done[packet_id]
        self._full = self._full and len(self._arrived) >= self._window
        self._note_stall(t)
        return identifiers

    def stalled_ms(self) -> int:
        """How long nothing could arrive so far; a stall that lasts counts when it is over."""
        return self._stalled_ms

    def _note_stall(self, t: int) -> None:
        if self._full or self._held:
            if self._stalled_since_t is None:
                self._stalled_since_t = t
        elif self._stalled_since_t is not None:
            self._stalled_ms += t - self._stalled_since_t
            self._stalled_since_t = None
