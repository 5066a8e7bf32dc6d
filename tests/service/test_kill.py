"""`kill -9` at any instant loses no reading and no notice, and doubles none."""

import random
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial

import pytest

from tests.service.kills import KillTest
from tests.service.site import Site
from tests.service.wire import Wire, wire
from tests.support.broker import Broker, BrokerFactory
from tests.support.mail import MailDrop
from tests.support.proxy import SlowLine

SEED = 2026
TROUBLES = ["", "slow line", "mail refused", "slow line, mail refused", "mail away"]


@pytest.fixture
def broker(mosquitto: BrokerFactory) -> Broker:
    """A broker that keeps whatever comes while the watch is down: the loss would be its own."""
    return mosquitto(config_lines=["max_queued_messages 0"])


@pytest.fixture
def kill_test(
    broker: Broker, site: Site, cabinet: Wire, smtp: MailDrop
) -> Iterator[Callable[..., KillTest]]:
    """Make a kill test of a daemon with a fault, or with none."""
    line = SlowLine(broker.port)
    yield partial(KillTest, site, cabinet, smtp, line, seed=SEED)
    line.close()


@pytest.mark.parametrize(
    ("kills", "every_s"),
    [
        # One with each trouble around.
        (len(TROUBLES), 0.02),
        pytest.param(200, 0.004, marks=[pytest.mark.long, pytest.mark.timeout(3000)]),
    ],
)
def test_kills_at_random_instants_lose_and_double_nothing(
    kills: int, every_s: float, kill_test: Callable[..., KillTest]
) -> None:
    troubles = [TROUBLES[place % len(TROUBLES)] for place in range(kills)]
    random.Random(SEED).shuffle(troubles)

    found = kill_test(every_s=every_s).suffer(troubles, patience_s=30, at_most=20)

    assert found.wrong == [], found
    assert found.readings > 0.2 / every_s * kills
    assert found.transitions > kills
    assert 0 < found.backlog < found.readings


@pytest.mark.long
@pytest.mark.parametrize("seconds", [8, pytest.param(3600, marks=pytest.mark.timeout(5000))])
def test_random_faults_of_everything_lose_and_double_nothing(
    seconds: int, broker: Broker, site: Site, smtp: MailDrop
) -> None:
    line = SlowLine(broker.port)
    # Its session is kept, so that it misses nothing of what is told while the broker restarts.
    with closing(line), wire(broker.port, session="reckoner") as cabinet:
        everything = KillTest(site, cabinet, smtp, line, seed=SEED, every_s=0.02)
        found, happened = everything.endure(broker, seconds, patience_s=60)
    print(happened, found.readings, found.transitions, found.backlog)

    assert found.wrong == [], (happened, found)
    assert found.readings > 5 * seconds


def writes_on(test: KillTest) -> bool:
    """What the line holds back is in the store by now."""
    return test.stored() > test.stored_before


@pytest.mark.long
@pytest.mark.parametrize(
    ("fault", "trouble", "until", "finding"),
    [
        ("knows-no-repeats", "slow line", writes_on, "stored_twice"),
        ("acknowledges-early", "", KillTest.has_much_unwritten, "lost"),
        ("forgets-outbox", "mail refused", KillTest.has_refused_mail, "untold"),
    ],
)
def test_the_reckoning_finds_a_fault_put_in_on_purpose(
    fault: str,
    trouble: str,
    until: Callable[[KillTest], bool],
    finding: str,
    site: Site,
    kill_test: Callable[..., KillTest],
) -> None:
    # Writes far enough apart for much to wait in between.
    site.flush_s = 1.5
    found = kill_test(fault=fault).suffer([trouble], patience_s=5, until=until)

    assert getattr(found, finding), found
