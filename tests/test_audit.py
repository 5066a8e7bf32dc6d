"""An audit of packages that could not be made never counts as one that found nothing."""

from typing import Any

import pytest

from tests.audit import judge

WELL = {"name": "six", "version": "1.17.0", "vulns": []}
FLAWED = {
    "name": "old",
    "version": "1.0",
    "vulns": [{"id": "PYSEC-0000-1", "fix_versions": ["1.1"]}],
}
SKIPPED = {"name": "rich", "skip_reason": "Dependency not found on PyPI"}


@pytest.mark.parametrize(
    ("packages", "status"),
    [([WELL], 0), ([WELL, FLAWED], 1), ([FLAWED, SKIPPED], 1), ([WELL, SKIPPED], 3), ([], 3)],
)
def test_the_exit_status_tells_well_flawed_and_unknown_apart(
    packages: list[dict[str, Any]], status: int
) -> None:
    assert judge({"dependencies": packages})[0] == status


def test_what_was_found_and_what_was_passed_over_is_named() -> None:
    said = "\n".join(judge({"dependencies": [WELL, FLAWED, SKIPPED]})[1])
    assert "old 1.0 is vulnerable: PYSEC-0000-1 (mended in 1.1)" in said
    assert "1 of 3 packages could NOT be looked up among known vulnerabilities: rich" in said


def test_every_package_that_was_passed_over_is_named() -> None:
    """So that nobody takes it for one that passed."""
    skipped = [{**SKIPPED, "name": name} for name in ("scipy", "Mako", "attrs")]
    (said,) = judge({"dependencies": [WELL, *skipped]})[1]
    assert said.endswith("vulnerabilities: attrs, Mako, scipy")
