"""How the page looks and reads: on a phone, in the dark, by keyboard, without script."""

from itertools import pairwise

import pytest

from tests.support.browser import Browser


@pytest.mark.parametrize("width", [320, 390, 1000])
@pytest.mark.parametrize("dark", [False, True])
def test_nothing_sticks_out_sideways(page: Browser, written: str, width: int, dark: bool) -> None:
    page.emulate(dark=dark)
    page.open(written, width=width)
    assert page.run("return document.documentElement.scrollWidth") <= width


def test_the_first_screen_of_a_phone_has_what_counts(page: Browser, written: str) -> None:
    page.open(written, width=390, height=844)
    for selector in ("#headline", ".clock", "[data-device=gear-2] [data-figure=margin_k]"):
        bottom = page.run(
            "return document.querySelector(arguments[0]).getBoundingClientRect().bottom", selector
        )
        assert bottom <= 844, selector


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
def test_every_text_has_the_contrast_of_wcag(page: Browser, written: str, dark: bool) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1; relative luminance as defined there.
    page.emulate(dark=dark)
    page.open(written)
    assert page.run(_CONTRAST) == []


def test_headings_labels_and_pictures_are_named(page: Browser, written: str) -> None:
    page.open(written)
    levels = page.run(
        "return Array.from(document.querySelectorAll('h1,h2,h3'), h => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
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
