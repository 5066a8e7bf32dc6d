"""The command that measures all budgets runs to its end."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.budgets import BENCHMARKS

ROOT = Path(__file__).parents[2]


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_every_budget_is_measured_beside_its_yardstick() -> None:
    command = [sys.executable, "-m", "tests.benchmarks.budgets", "--quick"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    for name, _, quick in BENCHMARKS:
        assert " ".join([f"python -m tests.benchmarks.{name}", *quick]) in done.stdout
    for figure in ("bare client loop", "imports alone", "bare round trip", "naive", "decoding"):
        assert figure in done.stdout
