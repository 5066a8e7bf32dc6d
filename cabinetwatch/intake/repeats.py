"""Messages that the broker sends again after a reconnect, told from new ones."""

from collections.abc import Iterable

from cabinetwatch.intake.message import Incoming
from cabinetwatch.store.batch import Repeatable

MOST_SENT_AGAIN = 32_767
"""How many messages are remembered without a Receive Maximum: half of all identifiers. With all of
them an identifier that comes round again would meet its own last use, and a new reading of a value
that never changes would be taken for a repeat."""


class Repeats:
    """Remembers the last window of messages taken in the present session.

    A repeat has DUP set, comes in a resumed session, and equals in identifier, topic and payload a
    message of that window; anything else is new. A message counts from the moment it is taken, not
    only once it is committed: a reconnect may fall between the two. Its repeat can be acknowledged
    with, or after, the commit that holds the first copy.

    Args:
        window: what the store holds of the session that the broker may still keep, oldest first.
    """

    def __init__(self, window: Iterable[Repeatable] = ()) -> None:
        self._size = MOST_SENT_AGAIN
        self._taken: dict[int, bytes] = {}
        for repeatable in window:
            self.take(repeatable)

    def connected(self, *, session_present: bool, receive_maximum: int | None) -> None:
        """A connection came up; without its session nothing can be a repeat."""
        self._size = receive_maximum or MOST_SENT_AGAIN
        if not session_present:
            self._taken.clear()
        self._forget_oldest()

    def is_repeat(self, message: Incoming) -> bool:
        """Whether this message was taken before."""
        if not (message.dup and message.resumed and message.qos):
            return False
        digest = self._taken.get(message.packet_id)
        return digest is not None and digest == identify(message).digest

    def take(self, repeatable: Repeatable) -> None:
        """Remember a message that is taken now, and forget the one a window before it."""
        # Taken out first, so that the order is that of the last taking.
        self._taken.pop(repeatable.packet_id, None)
        self._taken[repeatable.packet_id] = repeatable.digest
        self._forget_oldest()

    def _forget_oldest(self) -> None:
        while len(self._taken) > self._size:
            del self._taken[next(iter(self._taken))]


def identify(message: Incoming) -> Repeatable:
    """Give what tells a message again."""
    return Repeatable.of(message.packet_id, message.topic, message.payload)
