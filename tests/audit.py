"""Looks the pinned packages up among known vulnerabilities: python -m tests.audit.

Exit status 0 when all were looked up and none is known, 1 when one is, 3 when some could not be
looked up: pip-audit itself calls those passed over, and succeeds.
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.pins import FILES, read_pins

_DEPLOY = Path(__file__).parents[1] / "deploy"
_FOUND, _UNKNOWN = 1, 3


def judge(report: dict[str, Any]) -> tuple[int, list[str]]:
    """Give the exit status and what to say, from the JSON that pip-audit writes."""
    packages = report["dependencies"]
    said = [
        f"{each['name']} {each['version']} is vulnerable: {flaw['id']}"
        f" (mended in {', '.join(flaw['fix_versions']) or 'no version yet'})"
        for each in packages
        for flaw in each.get("vulns", [])
    ]
    skipped = [each["name"] for each in packages if "skip_reason" in each]
    if skipped:
        said.append(
            f"{len(skipped)} of {len(packages)} packages could NOT be looked up among known"
            f" vulnerabilities: {', '.join(sorted(skipped, key=str.lower))}"
        )
    if any(each.get("vulns") for each in packages):
        return _FOUND, said
    if skipped or not packages:
        return _UNKNOWN, said
    return 0, [f"{len(packages)} packages have no known vulnerability"]


def main() -> int:
    """Audit what deploy/requirements*.txt pin."""
    found = {name: pin for file in FILES for name, pin in read_pins(_DEPLOY / file).items()}
    pins = [f"{name}=={version}" for name, (version, _) in found.items()]
    command = [
        sys.executable,
        "-P",
        "-m",
        "pip_audit",
        "--no-deps",
        "--disable-pip",
        "--format=json",
    ]
    asked = subprocess.run(
        [*command, "--progress-spinner=off", "--requirement=/dev/stdin"],
        input="\n".join(pins),
        capture_output=True,
        text=True,
        check=False,
    )
    try:
        status, said = judge(json.loads(asked.stdout))
    except (ValueError, KeyError):
        last = (asked.stderr.strip().splitlines() or ["it wrote nothing"])[-1]
        status, said = _UNKNOWN, [f"the packages could NOT be looked up: {last}"]
    print(*said, sep="\n")
    return status


if __name__ == "__main__":
    sys.exit(main())
