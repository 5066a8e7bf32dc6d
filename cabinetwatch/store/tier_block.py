"""The tier block: the figures of one subject over a stretch of a day, packed column by column.

Layout, compressed by zlib, whose checksum tells a damaged block:

    header      format, count of figures, of buckets, bytes of the names
    names       of the figures, UTF-8, with a NUL between two
    decimals    one byte for each figure
    lengths     of each figure's column in bytes
    starts      of the buckets in widths since 1970: the first, then the differences
    columns     figure after figure: counts for every bucket (0: nothing known of it there); then,
                in units of 10**-decimals and for the buckets with a count, the means (the first,
                then the differences), how far the minimum lies below, and the maximum above
"""

import zlib
from collections.abc import Callable, Mapping, Sequence
from itertools import accumulate, pairwise
from struct import Struct
from typing import cast

from cabinetwatch.store.planes import pack_integers, unpack_integers
from cabinetwatch.store.tiers import Bucket, decimals_of

_HEADER = Struct("<BHIH")
_FORMAT = 1

# Buckets are made by the hundred thousand for a page of charts. This does what Bucket._make does,
# without a Python frame for each of them.
_make_bucket = cast("Callable[[type[Bucket], tuple[object, ...]], Bucket]", tuple.__new__)


def encode(figures: Mapping[str, Sequence[Bucket]], width_ms: int) -> bytes:
    """Pack the buckets of a subject's figures, each in order of time and without a double."""
    starts = sorted({bucket.utc_ms // width_ms for column in figures.values() for bucket in column})
    columns = [_encode_column(name, column, starts, width_ms) for name, column in figures.items()]
    names = "\0".join(figures).encode()
    return zlib.compress(
        _HEADER.pack(_FORMAT, len(figures), len(starts), len(names))
        + names
        + bytes(decimals_of(name) for name in figures)
        + pack_integers([len(column) for column in columns])
        + pack_integers(_differences(starts))
        + b"".join(columns),
        9,
    )


class TierBlock:
    """A packed block, opened; its columns are unpacked only when they are asked for."""

    def __init__(self, packed: bytes, width_ms: int) -> None:
        """Open what `encode` made.

        Raises:
            ValueError: the bytes are damaged, or of a format that this version doesn't know.
        """
        try:
            rest = memoryview(zlib.decompress(packed))
        except zlib.error as error:
            raise ValueError(f"a block of a tier is damaged ({error})") from error
        version, count, self._bucket_count, name_bytes = _HEADER.unpack_from(rest)
        if version != _FORMAT:
            raise ValueError(f"a block of a tier has the unknown format {version}")
        rest = rest[_HEADER.size :]
        names, rest = bytes(rest[:name_bytes]), rest[name_bytes:]
        self.figures: list[str] = names.decode().split("\0")
        self._decimals, rest = bytes(rest[:count]), rest[count:]
        lengths, rest = unpack_integers(rest, count)
        starts, self._columns = unpack_integers(rest, self._bucket_count)
        self._starts = [start * width_ms for start in accumulate(starts)]
        self._ends = list(accumulate(lengths, initial=0))

    def buckets(self, figure: str) -> list[Bucket]:
        """Give the buckets of a figure, in order of time; none if it has no such figure."""
        if figure not in self.figures:
            return []
        index = self.figures.index(figure)
        column = self._columns[self._ends[index] : self._ends[index + 1]]
        scale = 10.0 ** self._decimals[index]
        counts, column = unpack_integers(column, self._bucket_count)
        present = [
            (start, count) for start, count in zip(self._starts, counts, strict=True) if count
        ]
        steps, column = unpack_integers(column, len(present))
        below, column = unpack_integers(column, len(present))
        above, _ = unpack_integers(column, len(present))
        return [
            _make_bucket(
                Bucket, (start, count, mean / scale, (mean - under) / scale, (mean + over) / scale)
            )
            for (start, count), mean, under, over in zip(
                present, accumulate(steps), below, above, strict=True
            )
        ]


def _encode_column(
    name: str, column: Sequence[Bucket], starts: Sequence[int], width_ms: int
) -> bytes:
    scale = 10.0 ** decimals_of(name)
    counts = {bucket.utc_ms // width_ms: bucket.samples for bucket in column}
    means = [round(bucket.mean * scale) for bucket in column]
    return (
        pack_integers([counts.get(start, 0) for start in starts])
        + pack_integers(_differences(means))
        + pack_integers(
            [mean - round(each.minimum * scale) for mean, each in zip(means, column, strict=True)]
        )
        + pack_integers(
            [round(each.maximum * scale) - mean for mean, each in zip(means, column, strict=True)]
        )
    )


def _differences(integers: Sequence[int]) -> list[int]:
    return [*integers[:1], *(after - before for before, after in pairwise(integers))]
