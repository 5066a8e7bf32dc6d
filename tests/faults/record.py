"""Runs the test of each fault in README.md and writes there when it passed, and on which machine.

    python -m tests.faults.record [--long] [WORD]

WORD: only the faults in whose row it stands. A fault whose test fails, or which had none to run,
keeps its date.
"""

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree as ET

from tests.support.written import occasion, write_part

ROOT = Path(__file__).parents[2]
PAGE = Path(__file__).with_name("README.md")
_ROW = re.compile(r"^\| (?P<fault>.+?) \|.*\| (?P<tests>`[^|]+`) \| (?P<date>[0-9-]+) \|$")


class Proof(NamedTuple):
    """A row of the table: its line, and the tests that it names, as pytest takes them."""

    line: str
    tests: tuple[str, ...]


def proofs(page: Path = PAGE) -> Iterator[Proof]:
    """Give the rows of the table."""
    for line in page.read_text(encoding="utf-8").splitlines():
        if row := _ROW.match(line):
            names = re.findall(r"`([^`]+)`", row["tests"])
            yield Proof(line, tuple(each for name in names for each in tests_of(name)))


def tests_of(name: str) -> list[str]:
    """Give the tests that a name in the table means: a file's, or those that begin like it.

    Raises:
        ValueError: there is none.
    """
    folder, _, stem = name.rpartition("/")
    file = ROOT / "tests" / (folder or "faults") / f"{stem}.py"
    if file.exists():
        return [str(file.relative_to(ROOT))]
    found = [
        f"{path.relative_to(ROOT)}::{function}"
        for path in sorted((ROOT / "tests" / "faults").glob("test_*.py"))
        for function in re.findall(r"^def (test_\w+)", path.read_text(), flags=re.MULTILINE)
        if function.startswith(stem.removesuffix("..."))
    ]
    if not found:
        raise ValueError(f"tests/faults/README.md: there is no test {name}")
    return found


def passed(tests: Sequence[str], options: Sequence[str]) -> dict[str, bool]:
    """Run tests; say for each whether it, or each of its file, passed."""
    with tempfile.NamedTemporaryFile(suffix=".xml") as report:
        command = [sys.executable, "-m", "pytest", "-q", "-n", "2", "--dist", "loadfile"]
        command += [*options, f"--junitxml={report.name}", *tests]
        subprocess.run(command, cwd=ROOT, check=False)
        cases = list(ET.parse(report.name).iter("testcase"))  # noqa: S314 - our own file
    results: dict[str, bool] = {}
    for case in cases:
        file = f"{case.get('classname', '').replace('.', '/')}.py"
        name = f"{file}::{case.get('name', '').partition('[')[0]}"
        good = all(child.tag not in {"failure", "error", "skipped"} for child in case)
        for key in (file, name):
            results[key] = results.get(key, True) and good
    return results


def main(arguments: Sequence[str]) -> int:
    """Run them, and write the dates."""
    options = [each for each in arguments if each.startswith("-")]
    words = [each for each in arguments if not each.startswith("-")]
    chosen = [each for each in proofs() if all(word in each.line for word in words)]
    results = passed(sorted({test for each in chosen for test in each.tests}), options)
    text, failed = PAGE.read_text(encoding="utf-8"), False
    for proof in chosen:
        if all(results.get(test) for test in proof.tests):
            dated = re.sub(r"[0-9-]+ \|$", f"{datetime.now(UTC):%Y-%m-%d} |", proof.line)
            text = text.replace(proof.line, dated)
        else:
            print(f"keeps its date: {proof.line}", file=sys.stderr)
            failed = True
    PAGE.write_text(text, encoding="utf-8")
    how = " ".join(["python -m tests.faults.record", *arguments])
    write_part(PAGE, "machine", f"Last run: `{how}`, {occasion()}.\n")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
