"""Messages that the broker sends again after a reconnect, told from new ones."""

from array import array
from collections.abc import Iterable

from cabinetwatch.intake.message import Incoming
from cabinetwatch.store.batch import Repeatable

MOST_SENT_AGAIN = 32_767
"""How many messages are remembered without a Receive Maximum: half of all identifiers. With all of
them an identifier that comes round again would meet its own last use, and a new reading of a value
that never changes would be taken for a repeat."""
_IDENTIFIERS = 65_536


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
        # A place for each identifier there is: 1 MB for years, where a dictionary takes six.
        self._digests = array("Q", bytes(8 * _IDENTIFIERS))
        self._turns = array("Q", bytes(8 * _IDENTIFIERS))
        self._turn = 0
        self._first_remembered = 1
        for repeatable in window:
            self.take(repeatable)

    def connected(self, *, session_present: bool, receive_maximum: int | None) -> None:
        """A connection came up; without its session nothing can be a repeat."""
        self._size = receive_maximum or MOST_SENT_AGAIN
        if not session_present:
            self._first_remembered = self._turn + 1
        self._forget_oldest()

    def is_repeat(self, message: Incoming) -> bool:
        """Whether this message was taken before."""
        if not (message.dup and message.resumed and message.qos):
            return False
        if self._turns[message.packet_id] < self._first_remembered:
            return False
        return self._digests[message.packet_id] == _number(identify(message))

    def take(self, repeatable: Repeatable) -> None:
        """Remember a message that is taken now, and forget the one a window before it."""
        self._turn += 1
        self._turns[repeatable.packet_id] = self._turn
        self._digests[repeatable.packet_id] = _number(repeatable)
        self._forget_oldest()

    def _forget_oldest(self) -> None:
        # Never less than before: what a narrow window has let go stays gone in a wider one.
        self._first_remembered = max(self._first_remembered, self._turn - self._size + 1)


def _number(repeatable: Repeatable) -> int:
    return int.from_bytes(repeatable.digest, "big")


def identify(message: Incoming) -> Repeatable:
    """Give what tells a message again."""
    return Repeatable.of(message.packet_id, message.topic, message.payload)
