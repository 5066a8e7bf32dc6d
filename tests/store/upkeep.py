"""Running the store's upkeep to its end, and readings over hours and days."""

from collections.abc import Iterable

from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from cabinetwatch.watch.events import Reading
from tests.store.examples import batch

MINUTE_MS = 60_000
FOREVER = Keeping(10**6 * DAY_MS, 10**6 * DAY_MS, 10**6 * DAY_MS)


def tidied(store: Store, t: int) -> None:
    """Bring the tiers up; watch time is UTC."""
    for _ in store.tidy(Now(t, t)):
        pass


def cleared(store: Store, t: int, keeping: Keeping, utc_ms: int | None = None) -> int:
    """Prune and give all space back; say how many rows went."""
    now = Now(t, t if utc_ms is None else utc_ms)
    return sum(store.clear(now, keeping, spare_pages=0))


def commit_all(store: Store, readings: Iterable[Reading], at_once: int = 50) -> None:
    """Commit readings in order, so many a block, the watch having come as far as the last."""
    pending: list[Reading] = []
    for reading in readings:
        pending.append(reading)
        if len(pending) == at_once:
            store.commit(batch(*pending, advanced_to=pending[-1].t))
            pending = []
    if pending:
        store.commit(batch(*pending, advanced_to=pending[-1].t))


def steady(days: float, every_ms: int = 600_000, t0: int = 0) -> Iterable[Reading]:
    """A sensor that speaks at long intervals, each value its own."""
    for n in range(round(days * DAY_MS / every_ms)):
        yield Reading("nas-air", t0 + n * every_ms, 20.0 + n % 400 / 10)
