"""From the buckets of a tier to a curve: wider ones where a picture has no room for so many."""

from bisect import bisect_left
from collections.abc import Sequence
from operator import itemgetter

import numpy as np

from cabinetwatch.charts.picture import Curve, curve
from cabinetwatch.store.tiers import Bucket


def curve_of(buckets: Sequence[Bucket], from_utc_ms: int, step_ms: int) -> Curve:
    """Condense buckets to stretches of `step_ms`, each at its middle.

    Args:
        buckets: in order of time, none wider than `step_ms`.
        from_utc_ms: those that begin before it are left out.
        step_ms: a multiple of their width; stretches begin at its multiples in UTC.
    """
    wanted = buckets[bisect_left(buckets, from_utc_ms, key=itemgetter(0)) :]
    if not wanted:
        return curve([])
    # By columns: an array of tuples takes twice as long.
    utc_ms, samples, mean, low, high = (
        np.array(column, np.float64) for column in zip(*wanted, strict=True)
    )
    stretch = utc_ms // step_ms
    first = np.nonzero(np.diff(stretch, prepend=-1.0))[0]
    total = np.add.reduceat(samples, first)
    points = np.column_stack(
        [
            (stretch[first] + 0.5) * step_ms,
            np.add.reduceat(mean * samples, first) / total,
            np.minimum.reduceat(low, first),
            np.maximum.reduceat(high, first),
        ]
    )
    return curve(points, step_ms)
