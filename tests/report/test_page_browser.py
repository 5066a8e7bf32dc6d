"""The page in a real browser: what can be read on it, and that it asks nothing of anyone else."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.report.serving import Serving
from tests.service.watching import wait_until
from tests.support.browser import Browser
from tests.support.house import House, build
from tests.support.patience import WITHIN_S

_ROOT = Path(__file__).parents[2]


def status(house: House) -> dict[str, Any]:
    command = [sys.executable, "-m", "cabinetwatch", "status", "--json", "--config"]
    done = subprocess.run(
        [*command, str(house.path)], cwd=_ROOT, capture_output=True, check=False, timeout=300
    )
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def now_ms() -> int:
    return round(time.time() * 1000)


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
            assert text.split()[0].rstrip(",") == f"{expected:.1f}"
    sensors = page.run(
        "return Object.fromEntries(Array.from(document.querySelectorAll('[data-sensor]'), row =>"
        " [row.dataset.sensor, row.cells[1].innerText]))"
    )
    assert sensors == {
        name: f"{figures['value']:.1f} °C" for name, figures in told["sensors"].items()
    }
    assert page.run(
        "return Array.from(document.querySelectorAll('[data-alarm]'), card => card.dataset.alarm)"
    ) == [each["id"] for each in told["alarms"]]
    assert page.texts("[data-alarm] > p")[0] == told["alarms"][0]["text"]


def test_every_figure_of_status_stands_beside_the_picture(
    page: Browser, address: str, house: House
) -> None:
    page.open(address)
    names = page.run(
        "return Array.from(document.querySelectorAll('#device-gear-1 dd'), d => d.dataset.figure)"
    )
    assert names == [name for name in status(house)["devices"]["gear-1"] if name != "name"]
    learning = "return document.querySelector('#device-gear-1 [data-figure=learning]').textContent"
    assert page.run(learning) == "its normal rise is the one given in the configuration."


def test_pictures_come_by_themselves_and_follow_the_chosen_span(
    page: Browser, address: str
) -> None:
    page.open(address)

    def pictures() -> list[Any]:
        page.driver.refresh()
        found: list[Any] = page.run(
            "return Array.from(document.querySelectorAll('img')).filter(i => i.offsetParent)"
            ".map(i => [i.getAttribute('src'), i.alt])"
        )
        return found

    wait_until(lambda: len(pictures()) == 3, "the pictures", every_s=1.0)
    assert all("-24h.svg" in source for source, _ in pictures())
    page.run("document.querySelector('label[for=span-7d]').click()")
    shown = page.run(
        "return Array.from(document.querySelectorAll('img')).filter(i => i.offsetParent)"
        ".map(i => i.getAttribute('src'))"
    )
    assert [re.sub(r"\?.*", "", source) for source in shown] == [
        f"charts/gear-{number}-7d.svg" for number in range(3)
    ]
    # The choice outlives a reload.
    assert all("-7d.svg" in source for source, _ in pictures())


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
    folder = tmp_path / "hostile"
    folder.mkdir()
    name = '<img src=x onerror="document.title=1"><script>alert(1)</script>&amp;'
    hostile = build(folder, now_ms(), devices=1, days=1, names=(name,), site="<b>site</b>")
    page.open(serving.start(hostile))
    assert page.text("tbody th a") == name
    assert page.text(".site") == "<b>site</b>"
    assert page.driver.title.endswith("<b>site</b>")
    assert page.run("return document.querySelectorAll('img[src=x], body script').length") == 1
    assert page.complaints() == []


def test_a_dead_daemon_is_shown_loudly(page: Browser, serving: Serving, tmp_path: Path) -> None:
    folder = tmp_path / "dead"
    folder.mkdir()
    page.open(serving.start(build(folder, now_ms() - 3_600_000, devices=1, days=1)))
    assert page.text("#headline h1") == "The watch is not running"
    assert "nobody is watching" in page.text("#headline p")
    assert "high" in page.run("return document.getElementById('headline').className")
    assert not page.run("return document.body.classList.contains('is-stale')")


def test_a_page_that_nobody_writes_any_more_says_so_by_itself(page: Browser, written: str) -> None:
    page.open(written)
    assert not page.run("return document.body.classList.contains('is-stale')")
    # As the page looks an hour later: the clock goes on, the file doesn't.
    with page.before_all_script("const then = Date.now; Date.now = () => then() + 3600000;"):
        page.driver.refresh()
        age = re.match(r"Old figures: (\d+) min", page.text("#stale"))
        assert age is not None
        assert 60 <= int(age[1]) < 70
        assert not page.run("return document.getElementById('headline').offsetParent")
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
