"""The weekly mail on a phone: how many screens it takes, and what stands on the first of them."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from cabinetwatch.report.charts import draw_week
from cabinetwatch.report.summary_mail import html_of
from cabinetwatch.report.summary_week import AlarmWeek, Week
from cabinetwatch.report.summary_words import events_of, summary_of
from cabinetwatch.store.store import Store
from cabinetwatch.text import typeset
from tests.report.test_summary_words import calm
from tests.support import fortnight as story
from tests.support.browser import Browser
from tests.support.fortnight import Fortnight

SCREEN = 844
"""The height of a phone's screen that is 390 wide, in CSS pixels (our choice, as for the page)."""

NOW = "Now (Mon 23 Nov 07:00): AV amplifier losing its cooling, sensor poe-switch-air silent."
TEXT = (
    "The NAS is heading for 31.2 K ± 1.3 K above the air around it, normal 12.0 K ± 0.6 K at 42 W;"
    " so much of a difference is not by chance."
)
RESPONSE = (
    "Look whether the fan turns, with the device off and unplugged. Clean filters and vents from"
    " outside; replace a worn fan, and see that the new one starts from cold."
)


def terrible(week: Week) -> Week:
    """Ten devices and thirty sensors, each with something wrong, and forty alarms of many words."""

    def alarm(number: int) -> AlarmWeek:
        began = story.MONDAY + number * 3 * story.HOUR_MS
        lasts = number % 4 == 0
        return replace(
            week.alarms[-1],
            id=f"alarm-{number}",
            subject=f"gear-{number % 10}",
            name=f"Piece of gear {number % 10}",
            text=TEXT,
            response=RESPONSE,
            state="unacknowledged" if lasts else "returned",
            began_utc_ms=began,
            ended_utc_ms=None if lasts else began + story.HOUR_MS,
        )

    devices = [
        replace(
            week.devices[number % 4],
            # The two that are told in full have a record, so that they are drawn.
            id={0: "av-amplifier", 4: "nas"}.get(number, f"gear-{number}"),
            name=f"Piece of gear {number}",
            hot_day_margin_k=-1.0,
            hot_day_margin_last_week_k=2.0,
            margin_k=-3.0,
            learnt="its normal rise was learnt on 23 Nov 2026 00:01 over loads of 40 to 55 W.",
        )
        for number in range(10)
    ]
    alarms = [alarm(number) for number in range(40)]
    for number, device in ((0, "av-amplifier"), (4, "nas")):
        alarms[number] = replace(alarms[number], subject=device)
    sensors = [
        replace(week.sensors[3], id=f"sensor-number-{number}", faults={"silent": 3, "stuck": 2})
        for number in range(30)
    ]
    remarks = [replace(week.remarks[0], text=RESPONSE) for _ in range(20)]
    watch = replace(week.watch, notices_failed=3, readings_lost=99, store_faults=2, days_left=9.0)
    return replace(
        week, devices=devices, alarms=alarms, sensors=sensors, remarks=remarks, watch=watch
    )


def show(page: Browser, fortnight: Fortnight, week: Week, folder: Path) -> int:
    """Open the mail of a week; give its height."""
    with Store.open(fortnight.url, read_only=True) as store:
        drawn = draw_week(store, fortnight.config, week)
    names = [each.file_name for each in drawn]
    for each in drawn:
        (folder / each.file_name).write_bytes(each.png)
    (folder / "mail.html").write_text(html_of(summary_of(week, NOW), drawn, names))
    page.open((folder / "mail.html").as_uri(), width=390, height=SCREEN)
    height, width = page.run(
        "const e = document.documentElement; return [e.scrollHeight, e.scrollWidth]"
    )
    assert width == 390
    loaded: Sequence[bool] = page.run(
        "return Array.from(document.images, image => image.complete && image.naturalWidth > 0)"
    )
    assert list(loaded) == [True] * len(drawn)
    return int(height)


def test_a_calm_week_takes_four_screens_at_most(
    page: Browser, fortnight: Fortnight, week: Week, tmp_path: Path
) -> None:
    assert show(page, fortnight, calm(week), tmp_path) <= 4 * SCREEN
    learnt = [replace(device, learnt="its normal rise was learnt.") for device in week.devices]
    assert show(page, fortnight, replace(calm(week), devices=learnt), tmp_path) <= 4 * SCREEN


@pytest.mark.parametrize("make", [lambda week: week, terrible], ids=["bad", "terrible"])
def test_a_bad_week_takes_six_screens_at_most_and_begins_with_its_worst_event(
    make: Callable[[Week], Week], page: Browser, fortnight: Fortnight, week: Week, tmp_path: Path
) -> None:
    bad = make(week)
    assert show(page, fortnight, bad, tmp_path) <= 6 * SCREEN
    assert len(page.texts("img")) >= 2
    first = page.text("h1 ~ p:not(.quiet)")
    worst = events_of(bad)[0]
    assert first.replace("\u00a0", " ").startswith(worst.headline)
    assert typeset(worst.when(bad)) in first
    # Seen without scrolling, and what to do about it on the next screen.
    top, todo = page.run(
        "return ['h1 ~ p:not(.quiet)', 'strong'].map("
        " selector => document.querySelector(selector).getBoundingClientRect().bottom)"
    )
    assert top <= SCREEN
    assert todo <= 2 * SCREEN
