"""People in turn, without a server: who would be left, and who was told while others ask."""

import re
import sys
import threading
from dataclasses import replace
from datetime import date, timedelta

import pytest

from cabinetwatch.notify.people import Told, gaps
from cabinetwatch.notify.plan import plan, turns
from cabinetwatch.store.records import Outcome
from cabinetwatch.watch.events import Priority
from tests.notify.samples import transition
from tests.notify.test_people import ALL_AFTER, EVENING_MS, KIM, THREE, TWO, house

TODAY = date(2026, 12, 28)


def away(*spans: str) -> str:
    """Give Kim and, from the second span on, Robin; each away in one span."""
    kim, robin = TWO.replace('after = "30m"\n', "").split("\n\n")
    return f'{kim}\naway = ["{spans[0]}"]\n\n{robin}\naway = ["{spans[1]}"]\n'


OVERLAPPING = away("2026-12-20/2027-01-03", "2026-12-31/2027-01-10")
MEDIUM = TWO.replace("mail =", 'priorities = ["medium"]\nmail =')


@pytest.mark.parametrize(
    ("people", "said"),
    [
        (TWO, ""),
        (THREE, ""),
        (away("2026-12-20/2027-01-03", "2027-01-04/2027-02-01"), ""),
        # Past.
        (away("2026-12-20/2026-12-27", "2026-12-20/2026-12-27"), ""),
        # A push or a program may be the way to get high alarms.
        (f'{MEDIUM}[notify.command]\nargv = ["push"]\n', ""),
        (f'{MEDIUM}[notify.http]\nurl = "http://push.example/"\n', ""),
        (f'{MEDIUM}[notify.command]\nargv = ["push"]\npriorities = ["low"]\n', "nobody gets"),
        (MEDIUM, "nobody gets high alarms"),
        (ALL_AFTER, r"have after \(Kim and Robin\)"),
        (OVERLAPPING, r"^from 2026-12-31 to 2027-01-03 all .* are away \(Kim and Robin\)"),
        (away("2026-12-20/2026-12-28", "2026-12-01/2027-01-10"), "from 2026-12-28 to 2026-12-28 "),
        (away("2026-01-01/9999-12-31", "2027-06-01/9999-12-31"), "from 2027-06-01 to 9999-12-31 "),
        (
            away('2026-12-20/2027-01-03", "2027-02-01/2027-02-02', "2027-01-01/2027-02-01"),
            "from 2027-01-01 to 2027-01-03 .*; from 2027-02-01 to 2027-02-01 ",
        ),
    ],
)
def test_where_nobody_would_be_left_that_is_said(people: str, said: str) -> None:
    told = "; ".join(gaps(house(people), TODAY))
    assert re.search(said, told)
    assert bool(told) == bool(said)


def test_on_every_day_and_whoever_is_away_a_high_alarm_goes_to_somebody_at_once() -> None:
    span = timedelta(days=1)
    for people in (ALL_AFTER, TWO, THREE, OVERLAPPING):
        config = house(people)
        for day in (TODAY + number * span for number in range(30)):
            assert min(turns(config, [Priority.HIGH], day).values()) == 0.0


def test_who_was_told_may_be_noted_by_one_thread_while_another_makes_a_mail() -> None:
    config, told = house(TWO), Told()
    first, second = plan([transition(t=EVENING_MS)], config)

    def note() -> None:
        for number in range(10_000):
            notice = replace(first, id=f"{first.id}-{number}")
            told.note(notice, Outcome(notice.id, "delivered", first.t, 1, "", (KIM,)))

    thread = threading.Thread(target=note)
    usual_s = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        thread.start()
        while thread.is_alive():
            told.before(second, config)
        thread.join()
    finally:
        sys.setswitchinterval(usual_s)
    assert told.before(second, config).startswith("Kim was notified at 22:00")
