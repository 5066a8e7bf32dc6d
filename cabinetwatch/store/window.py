"""The identifiers of the latest committed messages, by which repeats are recognised."""

import zlib
from collections import deque
from collections.abc import Sequence
from itertools import accumulate, pairwise
from struct import Struct

from sqlalchemy import Connection, delete, select
from sqlalchemy.dialects.sqlite import insert as upsert

from cabinetwatch.store.batch import Repeatable
from cabinetwatch.store.place import whole
from cabinetwatch.store.planes import pack_integers, unpack_integers
from cabinetwatch.store.schema import repeat_window as repeat_window_table

_COUNT = Struct("<I")


class RepeatRing:
    """The slots of the ring: which are in use, oldest first, and which comes next.

    A broker can send again at most as many messages as it may have unacknowledged; once the newer
    slots hold that many, the oldest slot is overwritten. So the ring stays small and in place.
    """

    def __init__(self, connection: Connection, most_messages: int) -> None:
        query = select(repeat_window_table.c.slot, repeat_window_table.c.length, repeat_window_table.c.turn).order_by(repeat_window_table.c.turn)
        rows = connection.execute(query).all()
        self._most_messages = most_messages
        self._slots = deque((row.slot, row.length) for row in rows)
        self._turn = rows[-1].turn if rows else 0

    def write(
        self, connection: Connection, messages: Sequence[Repeatable], *, forget: bool
    ) -> "deque[tuple[int, int]]":
        """Write the identifiers of one commit.

        Args:
            connection: within a transaction.
            messages: in order of arrival.
            forget: the session before is lost, and all that could be repeated with it.

        Returns:
            The slots as they are once the transaction is committed; hand them to `adopt`.
        """
        slots = deque(() if forget else self._slots)
        if forget and self._slots:
            connection.execute(delete(repeat_window_table))
        if not messages:
            return slots
        newer = len(messages) + sum(count for _, count in slots)
        if slots and newer - slots[0][1] >= self._most_messages:
            slot = slots.popleft()[0]
        else:
            slot = 1 + max((slot for slot, _ in slots), default=0)
        values = {"turn": self._turn + 1, "length": len(messages), "data": _pack(messages)}
        row = upsert(repeat_window_table).values(slot=slot, **values)
        connection.execute(row.on_conflict_do_update(index_elements=["slot"], set_=values))
        slots.append((slot, len(messages)))
        return slots

    def adopt(self, slots: "deque[tuple[int, int]]") -> None:
        """Take over what `write` gave, its transaction being committed."""
        self._slots = slots
        self._turn += 1


def read_window(connection: Connection) -> list[bytes]:
    """Give what the slots hold, oldest first, each for `messages_of`.

    Args:
        connection: within a transaction.
    """
    return list(connection.scalars(select(repeat_window_table.c.data).order_by(repeat_window_table.c.turn)))


def messages_of(packed: bytes) -> list[Repeatable]:
    """Give the messages of a slot.

    Raises:
        ValueError: it is damaged.
    """
    with whole("the list of the newest messages"):
        return _unpack(packed)


def _pack(messages: Sequence[Repeatable]) -> bytes:
    identifiers = [0, *(message.packet_id for message in messages)]
    return zlib.compress(
        _COUNT.pack(len(messages))
        + pack_integers([after - before for before, after in pairwise(identifiers)])
        + pack_integers([len(message.digest) for message in messages])
        + b"".join(message.digest for message in messages)
    )


def _unpack(packed: bytes) -> list[Repeatable]:
    rest = memoryview(zlib.decompress(packed))
    (count,) = _COUNT.unpack_from(rest)
    steps, rest = unpack_integers(rest[_COUNT.size :], count)
    lengths, rest = unpack_integers(rest, count)
    ends = pairwise(accumulate(lengths, initial=0))
    return [
        Repeatable(packet_id, bytes(rest[start:end]))
        for packet_id, (start, end) in zip(accumulate(steps), ends, strict=True)
    ]
