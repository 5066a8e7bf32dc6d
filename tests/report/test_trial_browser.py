"""The report of a trial in a browser: short on a phone, with all of it on paper."""

from itertools import pairwise
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.demo.story import write_trial_record
from cabinetwatch.text import from_rfc3339
from tests.cli.demonstration import CONFIGURATION
from tests.support.browser import Browser

_SEEN = "return document.querySelector(arguments[0]).checkVisibility()"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> str:
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
    return Path(folder / "report.html").as_uri()


def test_on_a_screen_the_working_is_folded_and_on_paper_open(page: Browser, report: str) -> None:
    page.open(report)
    assert len(page.texts(".verdict li")) == 2
    assert page.run(_SEEN, ".bar")
    assert not page.run(_SEEN, ".how table")
    # Verdict, reasons and bar on the first screen.
    assert page.run("return document.querySelector('.bar').getBoundingClientRect().bottom") <= 844
    assert page.run("return document.documentElement.scrollWidth") == 390
    page.run("document.querySelector('summary').click()")
    assert page.run(_SEEN, ".how table")
    page.open(report)
    folded = page.run("return document.body.scrollHeight")
    page.emulate(media="print")
    assert page.run("return document.body.scrollHeight") > folded
    assert page.run(_SEEN, ".how table")
    assert page.run(_SEEN, ".how figure svg")


def test_the_parts_of_the_bar_are_told_apart_without_colours(page: Browser, report: str) -> None:
    # Rec. 709 luma, as a grey screen or printer has it: a tenth of the range apart (our choice).
    script = (
        "return Array.from(document.querySelectorAll('.bar rect'), each => {"
        " const [r, g, b] = getComputedStyle(each).fill.match(/\\d+/g).map(Number);"
        " return (0.2126 * r + 0.7152 * g + 0.0722 * b) / 255; })"
    )
    for dark in (False, True):
        page.emulate(dark=dark)
        page.open(report)
        greys = page.run(script)
        assert len(greys) == 3
        assert all(abs(a - b) >= 0.1 for a, b in pairwise(greys))
