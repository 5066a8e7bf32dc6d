"""The page in a real browser: what it says, how it looks, and that it asks nothing of others."""

import json
import re
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.text import TemperatureUnit, plain
from tests.report.serving import Serving, write_page
from tests.service.watching import cabinetwatch, wait_until
from tests.support.browser import Browser
from tests.support.house import House, build
from tests.support.patience import WITHIN_S


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
    hostile = build(tmp_path, now_ms, devices=1, days=1, names=(name,), site="<b>site</b>")
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


@pytest.mark.parametrize("width", [320, 390, 1000])
def test_nothing_sticks_out_sideways(page: Browser, written: str, width: int) -> None:
    page.open(written, width=width)
    assert page.run("return document.documentElement.scrollWidth") <= width


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


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("is_old", [False, True])
def test_every_text_has_the_contrast_of_wcag(
    page: Browser, record: str, dark: bool, is_old: bool
) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1; relative luminance as defined there.
    page.emulate(dark=dark)
    page.open(record)
    page.run("document.body.classList.toggle('is-old', arguments[0])", is_old)
    page.run("document.querySelectorAll('details').forEach(each => { each.open = true })")
    assert page.run(_QUIET_FIGURES) is is_old
    assert page.run(_CONTRAST) == []


def test_a_page_without_its_watch_says_so_above_all_and_greys_its_figures(
    page: Browser, tmp_path: Path
) -> None:
    now_ms = round(time.time() * 1000)
    house = build(tmp_path, now_ms - 3_600_000, devices=1, days=1)
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
