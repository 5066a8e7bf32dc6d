"""What commands write into pages for people."""

from pathlib import Path

from tests.benchmarks import results
from tests.faults.record import PAGE, proofs
from tests.support.written import part


def test_what_a_benchmark_prints_takes_the_place_of_what_it_printed_before(tmp_path: Path) -> None:
    page = tmp_path / "RESULTS.md"
    page.write_text("# Measured\n\nBy hand.\n")
    results.keep("latency --raises 100", "reading to mail  13.5 ms\n", page)
    results.keep("latency --raises 5", "reading to mail  99.9 ms\n", page)
    results.keep("latency --raises 100", "reading to mail  12.0 ms\n", page)
    text = page.read_text()
    assert text.startswith("# Measured\n\nBy hand.\n\n")
    assert "13.5 ms" not in text
    assert "    reading to mail  12.0 ms\n" in part(page, results.mark("latency --raises 100"))
    assert "    reading to mail  99.9 ms\n" in part(page, results.mark("latency --raises 5"))


def test_every_fault_names_tests_that_are_there() -> None:
    rows = [line for line in PAGE.read_text().splitlines() if line.startswith("| ")]
    found = list(proofs())
    assert [proof.line for proof in found] == rows[2:]
    assert all(proof.tests for proof in found)
