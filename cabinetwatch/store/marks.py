"""How far the watch has come: the newest commit, and the engine as last saved."""

import zlib
from typing import NamedTuple

from sqlalchemy import Connection, select

from cabinetwatch.store.batch import SavedState
from cabinetwatch.store.schema import block, heartbeat, saved_state


class Heartbeat(NamedTuple):
    """The newest commit: the number of the last input, the largest watch time known, the offset."""

    seq: int
    t: int
    offset_ms: int

    @property
    def utc_ms(self) -> int:
        """The instant in UTC, by the offset then in force."""
        return self.t + self.offset_ms


def newest_heartbeat(connection: Connection) -> Heartbeat | None:
    """Find the newest commit: it left a block, or else a row of its own. None in a new store."""
    row = connection.execute(
        select(heartbeat.c.seq, heartbeat.c.t_ms, heartbeat.c.offset_ms)
    ).first()
    last_block = connection.execute(
        select(
            (block.c.first_seq + block.c.length - 1).label("seq"),
            block.c.known_t_ms,
            block.c.offset_ms,
        )
        .order_by(block.c.first_seq.desc())
        .limit(1)
    ).first()
    if last_block is not None and (row is None or row.seq < last_block.seq):
        return Heartbeat(last_block.seq, last_block.known_t_ms, last_block.offset_ms)
    return None if row is None else Heartbeat(row.seq, row.t_ms, row.offset_ms)


def read_state(connection: Connection) -> SavedState | None:
    """Give the engine as last saved.

    Raises:
        ValueError: its bytes are damaged.
    """
    row = connection.execute(select(saved_state)).first()
    if row is None:
        return None
    try:
        return SavedState(row.seq, row.t_ms, zlib.decompress(row.data))
    except zlib.error as error:
        raise ValueError(f"the saved state is damaged ({error})") from error
