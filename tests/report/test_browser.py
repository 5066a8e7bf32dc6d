"""What people are shown, in a real browser: page, buttons, trial report, weekly mail, notices.

All in one file, so that one browser serves for all of it.
"""

import json
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan, plan_digest
from cabinetwatch.report.charts import draw_week
from cabinetwatch.report.summary_mail import html_of
from cabinetwatch.report.summary_week import AlarmWeek, Week
from cabinetwatch.report.summary_words import events_of, summary_of
from cabinetwatch.store.records import Notice
from cabinetwatch.store.store import Store
from cabinetwatch.text import TemperatureUnit, from_rfc3339, plain, typeset
from cabinetwatch.watch.events import EntryKind
from tests.cli.demonstration import CONFIGURATION, write_trial_record
from tests.notify.samples import make_config
from tests.report.acting import acting, link_in
from tests.report.serving import Serving, write_page
from tests.report.test_summary_words import calm
from tests.service.mails import part
from tests.service.site import OWNER, Site
from tests.service.watching import cabinetwatch, wait_until
from tests.service.wire import Wire
from tests.support import fortnight as story
from tests.support.browser import Browser, browser
from tests.support.fortnight import Fortnight
from tests.support.house import House, build
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S
from tests.watch.scene import CABINET, MINUTE
from tests.watch.scene import make_config as make_scene
from tests.watch.test_incidents import (
    CALM,
    ENCLOSED,
    FIVE,
    Watched,
    an_evening_of_the_fan,
    climbs,
    stalled,
)

SCREEN = 844
"""The height of a phone's screen that is 390 wide, in CSS pixels (our choice)."""


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser, shared by the tests."""
    with browser(tmp_path_factory.mktemp("profile")) as made:
        yield made


@pytest.fixture
def page(window: Browser) -> Browser:
    """The shared browser in light colours, with an empty console."""
    window.open("about:blank")
    window.emulate()
    window.complaints()
    window.requests()
    return window


# The page.


def status(house: House) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(cabinetwatch(house.path, "status", "--json").stdout)
    return told


def test_the_figures_are_those_of_status(page: Browser, address: str, house: House) -> None:
    page.open(address)
    told = status(house)

    shown = page.run(
        "return Object.fromEntries(Array.from(document.querySelectorAll('[data-device]'), row =>"
        " [row.dataset.device, Object.fromEntries(Array.from(row.querySelectorAll('td'), cell =>"
        " [cell.dataset.figure, [cell.dataset.value, cell.innerText]]))]))"
    )
    assert shown.keys() == told["devices"].keys()
    for device_id, cells in shown.items():
        assert cells.keys() == {"temperature_c", "rise_k", "settled_rise_k", "margin_k"}
        for figure, (value, text) in cells.items():
            expected = told["devices"][device_id][figure]
            assert float(value) == expected
            assert plain(text).split()[0].rstrip(",") == f"{expected:.1f}"
    assert page.run(
        "return Object.fromEntries(Array.from(document.querySelectorAll('[data-sensor]'), row =>"
        " [row.dataset.sensor, row.cells[1].innerText]))"
    ) == {
        name: TemperatureUnit.CELSIUS.temperature(figures["value"])
        for name, figures in told["sensors"].items()
    }
    assert page.run(
        "return Array.from(document.querySelectorAll('[data-incident]'), e => e.dataset.incident)"
    ) == [each["id"] for each in told["incidents"]]
    (worst,) = told["incidents"]
    # Above it may stand that the watch, whose lock a test holds, has written nothing for a minute.
    assert page.text("[data-incident] :is(h1, h2)") == worst["headline"]
    assert page.text("[data-incident] > .now").endswith(worst["now"])
    assert page.text("[data-incident] > .response") == f"What to do: {worst['response']}"
    # Beside its picture stand all figures of a device.
    assert page.run(
        "return Array.from(document.querySelectorAll('#device-gear-1 dd'), d => d.dataset.figure)"
    ) == [name for name in told["devices"]["gear-1"] if name not in {"name", "settled_rise_sd_k"}]
    # Its uncertainty stands with the figure itself.
    settling = page.run(
        "return document.querySelector('#device-gear-1 [data-figure=settled_rise_k]').textContent"
    )
    assert re.fullmatch(r"\d+\.\d.K.±.\d+\.\d.K", settling)
    learning = "return document.querySelector('#device-gear-1 [data-figure=learning]').textContent"
    assert page.run(learning) == "its normal rise is the one given in the configuration."


_SHOWN = (
    "return Array.from(document.querySelectorAll('img')).filter(i => i.offsetParent)"
    ".map(i => i.getAttribute('src').replace(/[?].*/, ''))"
)


def test_pictures_come_by_themselves_and_follow_the_chosen_span(
    page: Browser, address: str
) -> None:
    page.open(address)

    def pictures() -> Any:
        page.driver.refresh()
        return page.run(_SHOWN)

    day, week = ([f"charts/gear-{n}-{span}.svg" for n in range(3)] for span in ("24h", "7d"))
    wait_until(lambda: pictures() == day, "the pictures")
    page.run("document.querySelector('label[for=span-7d]').click()")
    assert page.run(_SHOWN) == week
    # The choice outlives a reload.
    assert pictures() == week


def test_nothing_is_asked_of_anyone_else_and_the_console_is_silent(
    page: Browser, address: str
) -> None:
    page.open(address)
    page.run("document.querySelectorAll('details').forEach(each => { each.open = true })")
    page.run("window.scrollTo(0, document.body.scrollHeight)")
    asked = page.requests()
    assert asked
    assert all(each.startswith(address) for each in asked), asked
    assert page.complaints() == []


def test_markup_in_names_shows_as_text(page: Browser, serving: Serving, tmp_path: Path) -> None:
    name = '<img src=x onerror="document.title=1"><script>alert(1)</script>&amp;'
    now_ms = round(time.time() * 1000)
    hostile = build(tmp_path, now_ms, devices=1, days=0, names=(name,), site="<b>site</b>")
    page.open(serving.start(hostile))
    assert page.text("tbody th a") == name
    assert page.text(".site") == "<b>site</b>"
    assert page.driver.title.endswith("<b>site</b>")
    assert page.run("return document.querySelectorAll('img[src=x], body script').length") == 1
    assert page.complaints() == []


_QUIET_FIGURES = """
const shade = e => getComputedStyle(e).color;
const quiet = shade(document.querySelector('caption.quiet'));
return [...document.querySelectorAll('td, .now, .clock strong')].every(e => shade(e) === quiet);
"""


def test_a_page_that_nobody_writes_any_more_says_so_by_itself(page: Browser, written: str) -> None:
    page.open(written)
    assert not page.run("return document.body.classList.contains('is-stale')")
    # As the page looks an hour later: the clock goes on, the file doesn't.
    with page.before_all_script("const then = Date.now; Date.now = () => then() + 3600000;"):
        page.driver.refresh()
        age = re.match(r"Old figures: (\d+) min", page.text("#stale"))
        assert age is not None
        assert 60 <= int(age[1]) < 70
        # What was on is not known to be over: it stays, greyed, and said to be of then.
        then = page.run("return document.querySelector('.clock strong').textContent")[:5]
        assert page.text("[data-incident] > .now").startswith(f"Last known, {then}: ")
        assert page.text("#devices") == f"Devices Last known, {then}"
        assert page.run(_QUIET_FIGURES)
        assert page.run(_CONTRAST) == []
        assert page.run("return document.getElementById('stale').getAttribute('role')") == "alert"
        assert page.complaints() == []


def test_a_server_that_dies_is_noticed_by_an_open_page(
    page: Browser, serving: Serving, house: House
) -> None:
    page.open(serving.start(house))
    serving.processes[0].kill()
    serving.processes[0].wait(WITHIN_S)
    page.run("document.body.dataset.written = Date.now() - 120000; return 0")
    wait_until(lambda: page.text("#stale").startswith("Old figures"), "the page to notice")


# Time runs fifty times as fast. The first answer comes, and the phone sleeps for eight hours before
# the page gets it; the others never come.
_ASLEEP = """
const now = Date.now, ask = window.fetch;
let slept = 0;
Date.now = () => now() + slept;
for (const name of ["setInterval", "setTimeout"]) {
  const wait = window[name];
  window[name] = (what, ms) => wait(what, ms / 50);
}
window.asked = [];
window.fetch = async (...all) => {
  window.asked.push(all[1].credentials ?? "same-origin");
  if (slept) return new Promise(() => {});
  const answer = await ask(...all);
  slept = 8 * 3600e3;
  return answer;
};
window.ticks = 0;
window.onload = () => setInterval(() => window.ticks++, 1000 * Number(document.body.dataset.every));
"""


def test_a_phone_that_slept_while_it_asked_takes_an_old_answer_for_old_and_asks_once(
    page: Browser, address: str
) -> None:
    with page.before_all_script(_ASLEEP):
        page.open(address)
        wait_until(lambda: page.run("return window.ticks") >= 6, "it to ask again")
        assert page.text("body.is-stale #stale:not([hidden])").startswith("Old figures: 8 h")
        # The second is not answered yet. Where a proxy asks for a password it is sent along.
        assert page.run("return window.asked") == ["same-origin"] * 2


def test_nothing_sticks_out_sideways(page: Browser, written: str) -> None:
    # 188: a phone whose owner reads at twice the size (WCAG 2.2, 1.4.4), by zoom or by its letters.
    for width, letters in ((188, 16), (320, 16), (375, 32), (390, 16), (1000, 16)):
        page.open(written, width=width)
        page.run(f"document.documentElement.style.fontSize = '{letters}px'")
        assert page.run("return document.documentElement.scrollWidth") <= width
    # What is wider scrolls by itself, and a phone's usual letters need none of that.
    page.open(written, width=320)
    tables = "Array.from(document.querySelectorAll('section:has(> table)'))"
    assert page.run(f"return {tables}.every(each => each.scrollWidth == each.clientWidth)")


def test_the_first_screen_of_a_phone_says_what_is_wrong_and_what_to_do(
    page: Browser, record: str
) -> None:
    page.open(record, width=390, height=844)
    for selector in ("h1", ".now", ".facts", ".response", ".clock", "#devices"):
        bottom = page.run(
            "return document.querySelector(arguments[0]).getBoundingClientRect().bottom", selector
        )
        assert 0 < bottom <= 844, selector
    # Nothing is called old that is not.
    assert not page.run("return document.querySelector('.last-known').offsetParent")


_CONTRAST = """
const light = c => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.04045 ? v / 12.92
  : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const parse = text => text.match(/[\\d.]+/g).map(Number);
const ground = e => { for (; e; e = e.parentElement) {
  const c = parse(getComputedStyle(e).backgroundColor);
  if (c.length < 4 || c[3] > 0) return c.slice(0, 3); } return [255, 255, 255]; };
const bad = [];
for (const e of document.querySelectorAll('body *')) {
  if (!e.offsetParent || ![...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())) continue;
  const a = light(parse(getComputedStyle(e).color).slice(0, 3)), b = light(ground(e));
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) bad.push([e.outerHTML.slice(0, 80), ratio]);
}
return bad;
"""


def test_every_text_has_the_contrast_of_wcag(page: Browser, record: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1; relative luminance as defined there.
    page.open(record)
    page.run("document.querySelectorAll('details').forEach(each => { each.open = true })")
    for is_old, dark in product((False, True), repeat=2):
        page.emulate(dark=dark)
        page.run("document.body.classList.toggle('is-old', arguments[0])", is_old)
        assert page.run(_QUIET_FIGURES) is is_old
        assert page.run(_CONTRAST) == []


def test_a_page_without_its_watch_says_so_above_all_and_greys_its_figures(
    page: Browser, tmp_path: Path
) -> None:
    now_ms = round(time.time() * 1000)
    house = build(tmp_path, now_ms - 3_600_000, devices=1, days=0)
    write_page(house, tmp_path / "page")
    page.open((tmp_path / "page" / "index.html").as_uri())
    assert page.text("h1") == "The watch is not running"
    tops = page.run(
        "return ['h1', '.now', 'table'].map("
        "each => document.querySelector(each).getBoundingClientRect().top)"
    )
    assert tops == sorted(tops)
    assert page.text("[data-incident] > .now").startswith("Last known, ")
    assert page.text("#devices").startswith("Devices Last known, ")
    assert page.run(_QUIET_FIGURES)
    assert page.run("return getComputedStyle(document.querySelector('h1')).color") != page.run(
        "return getComputedStyle(document.querySelector('td')).color"
    )


def test_headings_labels_and_pictures_are_named(page: Browser, written: str) -> None:
    page.open(written)
    levels = page.run(
        "return Array.from(document.querySelectorAll('h1,h2,h3'), h => Number(h.tagName[1]))"
    )
    assert (levels[0], levels.count(1)) == (1, 1)
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert page.run(
        "return Array.from(document.images).every(i => i.alt.length > 40)"
        " && Array.from(document.querySelectorAll('input')).every(i => i.labels.length === 1)"
    )
    assert page.run("return document.documentElement.lang") == "en"


def test_without_script_spans_can_be_chosen_and_the_page_reloads(
    page: Browser, written: str
) -> None:
    page.without_script()
    try:
        page.open(written)
        page.driver.find_element("css selector", "label[for=span-90d]").click()
        shown = [
            image.get_attribute("src")
            for image in page.driver.find_elements("css selector", "img")
            if image.is_displayed()
        ]
        assert len(shown) == 3
        assert all("-90d.svg" in str(source) for source in shown)
        refresh = page.driver.find_element("css selector", "meta[http-equiv=refresh]")
        assert refresh.get_attribute("content") == "15"
    finally:
        page.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


_HIDDEN_IN_DETAILS = (
    "return Array.from(document.querySelectorAll('details > :not(summary)'))"
    ".filter(each => !each.checkVisibility()).length"
)


def test_what_can_be_opened_is_open_on_paper(page: Browser, written: str) -> None:
    page.open(written)
    assert page.run(_HIDDEN_IN_DETAILS) > 0
    page.emulate(media="print")
    try:
        assert page.run(_HIDDEN_IN_DETAILS) == 0
    finally:
        page.emulate()
    # Older browsers need the script, which leaves everything as it was.
    page.run("document.querySelector('details').open = true")
    page.run("dispatchEvent(new Event('beforeprint'))")
    assert page.run("return document.querySelectorAll('details:not([open])').length") == 0
    page.run("dispatchEvent(new Event('afterprint'))")
    assert page.run("return document.querySelectorAll('details[open]').length") == 1


# What somebody does from bed: a mail's link, with a phone.


# WCAG 2.2, success criterion 2.5.5: 44 px at least for what a thumb is to hit.
_SIZES = """
return Array.from(document.querySelectorAll(arguments[0]), each => {
  const box = each.getBoundingClientRect(); return [box.width, box.height]; });
"""


def press(page: Browser, label: str) -> None:
    from selenium.common.exceptions import StaleElementReferenceException  # noqa: PLC0415

    (button,) = (
        each
        for each in page.driver.find_elements("css selector", "button")
        if each.text.replace("\N{NO-BREAK SPACE}", " ") == label
    )
    button.click()

    def is_gone() -> bool:
        try:
            return not button.is_enabled()
        except StaleElementReferenceException:
            return True

    wait_until(is_gone, "the answer")


def test_mail_link_page_button_acknowledged_and_the_next_mail_says_by_whom(
    page: Browser, site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving, tmp_path: Path
) -> None:
    pin = tmp_path / "pin"
    pin.touch(mode=0o600)
    pin.write_text("4711-0815\n")
    with acting(site, cabinet, smtp, serving, f'pin_file = "{pin}"\n') as watch:
        # From the page itself, with the PIN; it is not used up by looking.
        page.open(f"{watch.origin}/")
        page.driver.find_element("css selector", ".incident .act").click()
        page.driver.find_element("css selector", "#pin").send_keys("4711-0815")
        press(page, "Go on")
        assert "You act as somebody with the PIN" in page.text("main")
        for element, width, height in (("button", 320, 48), (".act", 320, 48)):
            for size in page.run(_SIZES, element):
                assert (size[0] >= width, size[1] >= height) == (True, True), (element, size)
        assert page.run("return document.documentElement.scrollWidth") <= 390
        page.without_script()
        try:
            page.open(link_in(smtp.messages[-1].message))
            heading = page.driver.find_element("css selector", "h1").text
            assert heading == "NAS: above its derating threshold"
            assert watch.states == ["unacknowledged"]
            press(page, "Seen")
            assert page.driver.find_element("css selector", "h1").text == "Done"
        finally:
            page.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        assert f"Seen by {OWNER}" in page.text(".facts")
        assert page.complaints() == []
        assert watch.states == ["unacknowledged", "acknowledged"]
        # Everywhere: on the page, in the terminal, over MQTT.
        page.open(f"{watch.origin}/")
        assert f"Seen by {OWNER}" in page.text(".facts")
        assert f"Seen by: {OWNER}" in " ".join(cabinetwatch(site.path, "status").stdout.split())
        said = cabinet.wait_transition("nas", "over-derating", "acknowledged")["text"]
        assert f"by {OWNER}, from 127.0.0.1" in said
        watch.worsen()
        told = part(smtp.messages[-1].message, "plain")
        assert f"Seen by: {OWNER}, before it got worse" in told
        assert len(smtp.messages) == 2


# The report of a trial: short on a phone, with all of it on paper.


_SEEN = "return document.querySelector(arguments[0]).checkVisibility()"


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The address of a report's page."""
    folder = tmp_path_factory.mktemp("trial")
    phases = write_trial_record(folder / "trial.csv", from_rfc3339("2026-05-29T08:00:00Z"))
    (folder / "config.toml").write_text(CONFIGURATION)
    options = {
        "config": folder / "config.toml",
        "device": "nas",
        "before": phases.before,
        "after": phases.after,
        "recording": folder / "trial.csv",
        "html": folder / "report.html",
    }
    words = [word for key, value in options.items() for word in (f"--{key}", str(value))]
    assert main(["trial", "report", *words]) == 1
    return (folder / "report.html").as_uri()


def test_on_a_screen_the_working_is_folded_and_on_paper_open(page: Browser, trial: str) -> None:
    page.open(trial)
    assert len(page.texts(".verdict li")) == 2
    assert page.run(_SEEN, ".bar")
    assert not page.run(_SEEN, ".how table")
    # Verdict, reasons and bar on the first screen.
    assert page.run("return document.querySelector('.bar').getBoundingClientRect().bottom") <= 844
    assert page.run("return document.documentElement.scrollWidth") == 390
    page.run("document.querySelector('summary').click()")
    assert page.run(_SEEN, ".how table")
    page.open(trial)
    folded = page.run("return document.body.scrollHeight")
    page.emulate(media="print")
    assert page.run("return document.body.scrollHeight") > folded
    assert page.run(_SEEN, ".how table")
    assert page.run(_SEEN, ".how figure svg")


def test_the_parts_of_the_bar_are_told_apart_without_colours(page: Browser, trial: str) -> None:
    # Rec. 709 luma, as a grey screen or printer has it: a tenth of the range apart (our choice).
    script = (
        "return Array.from(document.querySelectorAll('.bar rect'), each => {"
        " const [r, g, b] = getComputedStyle(each).fill.match(/\\d+/g).map(Number);"
        " return (0.2126 * r + 0.7152 * g + 0.0722 * b) / 255; })"
    )
    page.open(trial)
    for dark in (False, True):
        page.emulate(dark=dark)
        greys = page.run(script)
        assert len(greys) == 3
        assert all(abs(a - b) >= 0.1 for a, b in pairwise(greys))


# The weekly mail on a phone: how many screens it takes, what stands on the first of them.


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


# A notice is short enough to be read on a phone.


ONE, SEVERAL = 1270, 2110
"""Pixels: what a mail about one device, or about several, may be high."""
MAILED = make_config()


def notices_of(scene: Watched) -> list[Notice]:
    """Give the mails of a scene."""
    told = plan(scene.told, MAILED)
    return [notice for notice in told if notice.channel == "email"]


def height(page: Browser, folder: Path, notice: Notice) -> int:
    """Give how high the mail is on a phone, and see that nothing sticks out."""
    assert MAILED.notify.email is not None
    message = build_message(notice, MAILED, MAILED.notify.email)
    body = message.get_body(("html",))
    assert body is not None
    file = folder / "mail.html"
    file.write_text(str(body.get_content()), encoding="utf-8")
    page.open(file.as_uri(), height=100)
    assert page.run("return document.documentElement.scrollWidth") <= 390
    return int(page.run("return document.documentElement.scrollHeight"))


def ambient_lost() -> Watched:
    scene = Watched(make_scene(FIVE))
    airs = dict.fromkeys(("ups_air", "amplifier_air", "router_air"), 30.0)
    scene.lives(10 * MINUTE, **CALM, **airs)
    without = {name: value for name, value in CALM.items() if name != "hall"}
    scene.lives(10 * MINUTE, **without, **airs)
    scene.lives(15 * MINUTE, **CALM, **airs)
    return scene


def heat_of_all() -> Watched:
    """The cabinet loses its cooling, and three devices in it get hot."""
    inside = CABINET.replace('ambient = "hall"', 'ambient = "cabinet-air"') + ENCLOSED + UPS
    scene = Watched(make_scene(inside))
    calm = CALM | {"cabinet_air": 26.0, "cabinet_fan": 1000.0, "ups_air": 34.0}
    hot = calm | {"cabinet_fan": 100.0}
    scene.lives(10 * MINUTE, **calm)
    scene.lives(3 * MINUTE, **hot)
    for kelvin in range(1, 33):
        more = {each: calm[each] + kelvin for each in ("nas_air", "ups_air", "switch_air")}
        scene.lives(MINUTE, **hot | more | {"cabinet_air": 26.0 + kelvin / 2})
    scene.lives(5 * MINUTE, **hot | {"nas_air": 72.0, "ups_air": 70.0, "switch_air": 70.0})
    return scene


UPS = """
[sensors.ups-air]
topic = "cabinet/ups/temperature"
quantity = "temperature"

[devices.ups]
name = "UPS"
temperature = "ups-air"
ambient = "cabinet-air"
derating = [[40.0, 1.0], [60.0, 0.5]]
"""


def test_a_mail_about_one_device_is_short(page: Browser, tmp_path: Path) -> None:
    scene = Watched()
    an_evening_of_the_fan(scene)
    mails = notices_of(scene)
    assert len(mails) == 3
    assert max(height(page, tmp_path, each) for each in mails) <= ONE


def test_a_mail_about_the_sensor_of_five_devices_is_not_long(page: Browser, tmp_path: Path) -> None:
    mails = notices_of(ambient_lost())
    assert [len(each.transitions) for each in mails] == [5, 5]
    assert max(height(page, tmp_path, each) for each in mails) <= SEVERAL


def test_a_mail_about_the_heat_of_a_cabinet_and_three_devices_is_not_long(
    page: Browser, tmp_path: Path
) -> None:
    mails = notices_of(heat_of_all())
    assert {"cabinet", "nas", "ups"} <= {*mails[-1].accounts[0].subjects}
    assert max(height(page, tmp_path, each) for each in mails) <= SEVERAL


def a_bad_hour() -> Watched:
    """Six things go wrong, two of which are over before anybody can be told."""
    scene = Watched(make_scene(FIVE))
    airs = dict.fromkeys(("ups_air", "amplifier_air", "router_air"), 30.0)
    scene.lives(10 * MINUTE, **CALM, **airs)
    scene.lives(5 * MINUTE, **CALM, ups_air=30.0)
    scene.lives(15 * MINUTE, **CALM, **airs)
    del airs["ups_air"]
    stalled(scene, 3, **airs)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0, **airs)
    scene.tell(EntryKind.STORE, ok=False, error="no space left on device", lost=0)
    stalled(scene, 5, nas_air=72.0, switch_air=57.0, **airs)
    return scene


def test_a_digest_of_six_is_not_long(page: Browser, tmp_path: Path) -> None:
    scene = a_bad_hour()
    mails = notices_of(scene)
    digest = plan_digest(mails, MAILED, mails[-1].t, 0)
    assert sorted(each.is_over for each in digest.accounts) == [False] * 4 + [True] * 2
    assert height(page, tmp_path, digest) <= SEVERAL
