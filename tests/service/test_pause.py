"""A watch that was stopped for a while finds nobody silent: the broker held what was sent."""

import pytest

from cabinetwatch.store.replay import Replayer
from cabinetwatch.watch.events import EntryKind, Quality
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock


def told(site: Site) -> list[tuple[str, str]]:
    with site.store() as store:
        live = list(store.transitions())
        replayed = list(Replayer().run(item for _, item in store.inputs()))
    assert [each.public() for each in replayed] == [each.public() for each in live]
    return [(each.subject, each.condition) for each in live]


def pauses(site: Site) -> list[float]:
    with site.store() as store:
        found = [entry for _, entry in store.entries(EntryKind.PAUSE)]
    return [(entry.t - entry.data["ran_until_ms"]) / 1000 for entry in found]


@pytest.mark.parametrize("hung_s", [75, 7200])
def test_a_watch_that_hung_tells_of_nobody_and_goes_on(
    site: Site, cabinet: Wire, clock: HandClock, hung_s: int
) -> None:
    site.tables = site.tables.replace("silent_after = 100", "silent_after = 6")
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Nodes(cabinet, daemon, clock, {HALL: 22.0, NAS: 38.0})
        nodes.live(120)
        clock.hang(hung_s)
        wait_until(lambda: bool(pauses(site)), "the pause in the journal")
        clock.let_pass(10)
        nodes.live(120)
        assert told(site) == []
        del nodes.values[NAS]
        nodes.live(120)
    assert told(site) == [("nas-air", "silent")]
    (paused_s,) = pauses(site)
    # It may not have said yet that it ran at the last round.
    assert hung_s <= paused_s <= hung_s + nodes.every_s


def test_what_waited_in_the_socket_is_backlog_and_the_next_is_live(
    site: Site, cabinet: Wire
) -> None:
    clock = HandClock(1_780_000_000_000)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Nodes(cabinet, daemon, clock, {HALL: 22.0, NAS: 38.0})
        nodes.live(30)
        clock.stand_still()
        clock.hang(60)
        wait_until(lambda: bool(pauses(site)), "the pause in the journal")
        for value in ("90", "91", "92"):
            cabinet.publish(NAS, value)
        backlog = daemon._engine_loop._ingest._backlog
        wait_until(lambda: backlog._held == 3, "what waited to be held")
        clock.let_pass(10)
        nodes.live(20)
    with site.store() as store:
        qualities = [r.quality for r, _ in store.readings("nas-air") if r.value >= 90.0]
    assert qualities == [Quality.BACKLOG] * 3
    assert told(site) == []
