"""Weeks with faults at random: flat memory, no missed alarm, no lost notice, small files."""

from collections import Counter
from collections.abc import Iterator

import pytest

from tests.faults.soak import Reckoning, Soak
from tests.service.site import Site
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop

SEED = 20260701
ROUGH = Counter(
    heat=2, fan=1, dead_sensor=1, kill=1, heat_and_kill=2, broker_restart=2, mail_outage=1, stall=1
)
HOUR_S, DAY_S = 3_600, 86_400


@pytest.fixture
def soaks() -> Iterator[list[Soak]]:
    """The soaks that a test has begun; ended with it."""
    begun: list[Soak] = []
    yield begun
    for soak in begun:
        soak.close()


def assert_well(found: Reckoning) -> None:
    assert found.missed == [], found
    assert found.unexpected == [], found
    assert found.untold == [], found
    assert found.told_twice == [], found


@pytest.mark.parametrize(
    ("span_s", "troubles"),
    [
        (HOUR_S, Counter(heat=1, heat_and_kill=1, broker_restart=1, stall=1)),
        pytest.param(DAY_S, ROUGH, marks=pytest.mark.long),
    ],
    ids=["hour", "day"],
)
def test_faults_at_random_hide_no_alarm_and_lose_no_notice(
    span_s: int,
    troubles: Counter[str],
    site: Site,
    cabinet: Wire,
    broker: Broker,
    smtp: MailDrop,
    soaks: list[Soak],
) -> None:
    soak = Soak(site, cabinet, broker, smtp, interval_s=60, seed=SEED)
    soaks.append(soak)
    soak.live(span_s // 60, troubles)
    assert_well(soaks.pop().end())


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_a_month_with_faults_stays_flat_in_memory_and_small_on_disk(
    site: Site, cabinet: Wire, broker: Broker, smtp: MailDrop, soaks: list[Soak]
) -> None:
    soak = Soak(site, cabinet, broker, smtp, interval_s=10, seed=SEED)
    soaks.append(soak)
    for _ in range(20):
        soak.live(DAY_S // 10, ROUGH)
    # A third of it without an end of the process, so that what grows would be seen.
    steady = len(soak.found.resident_mb)
    for _ in range(10):
        calm = Counter({kind: count for kind, count in ROUGH.items() if "kill" not in kind})
        soak.live(DAY_S // 10, calm)
    found = soaks.pop().end()
    print(found.readings, found.kept_bytes, found.resident_mb[0], found.resident_mb[-1])

    assert_well(found)
    assert found.readings > 30 * (DAY_S // 10) * 10
    resident_mb = found.resident_mb[steady + 5 :]
    assert max(resident_mb) < 80.0, resident_mb
    assert resident_mb[-1] - resident_mb[0] < 5.0, resident_mb
    # Ten sensors at 10 s for a month, single readings and tiers, and the log beside them.
    assert found.kept_bytes < 4 * found.readings + 10_000_000
