"""Renews the pinned packages of deploy/requirements*.txt: python -m tests.pins [--newest].

Each file holds every package that its part of the project brings along, with the SHA-256 of each
wheel that a supported Python on a supported machine takes. The versions stay as they are pinned
unless --newest is given. Run by the oldest supported Python; pip asks its own package index.
"""

import json
import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
FILES = {
    "requirements.txt": "for running the watch",
    "requirements-reports.txt": "for pictures and trials, beside those for running",
    "requirements-demo.txt": "for the demonstration, beside those for running and for reports",
    "requirements-test.txt": "for the tests, beside those for running and for the demonstration",
}
"""Each file of deploy/ includes the one before it."""
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")
_OLDEST_GLIBC, _NEWEST_GLIBC = 17, 36
"""2.36 is that of Debian 12; later ones take its wheels, too."""
_PIN = re.compile(r"([A-Za-z0-9._-]+)==(\S+)(?: \\)?")
_HASH = re.compile(r"    --hash=sha256:([0-9a-f]{64})(?: \\)?")
_HEAD = """\
# Pinned packages {purpose}, with everything they bring along,
# and the SHA-256 of their wheels for CPython 3.11 to 3.13 on x86-64 and 64-bit ARM (glibc).
# Made by: python -m tests.pins (DEVELOPERS.md, "Pinned versions").
"""


def read_pins(path: Path) -> dict[str, tuple[str, set[str]]]:
    """Read the versions and hashes of one file, without those that it includes.

    Raises:
        ValueError: a line of it is something else, or a package has no hash.
    """
    pins: dict[str, tuple[str, set[str]]] = {}
    name = ""
    for line in path.read_text().splitlines():
        if not line or line.startswith(("#", "-r ", "--require-hashes")):
            continue
        if pin := _PIN.fullmatch(line):
            name = pin[1]
            pins[name] = (pin[2], set())
        elif name and (digest := _HASH.fullmatch(line)):
            pins[name][1].add(digest[1])
        else:
            raise ValueError(f"{path.name}: {line!r} is neither a pin nor a hash")
    bare = [name for name, (_, digests) in pins.items() if not digests]
    if bare:
        raise ValueError(f"{path.name}: {bare[0]} has no hash")
    return pins


def wanted() -> dict[str, list[str]]:
    """Give what pyproject.toml asks for by the file that has to hold it."""
    tables = tomllib.loads((ROOT / "pyproject.toml").read_text())
    extras = tables["project"]["optional-dependencies"]
    running = tables["build-system"]["requires"] + tables["project"]["dependencies"]
    parts = (running, extras["reports"], extras["demo"], extras["test"])
    asked = dict(zip(FILES, parts, strict=True))
    return {
        file: [each for each in lines if Requirement(each).name != "cabinetwatch"]
        for file, lines in asked.items()
    }


def _chosen(arguments: Iterable[str]) -> dict[str, tuple[str, str]]:
    """Let pip choose without installing anything; give version and SHA-256 by name."""
    command = [sys.executable, "-P", "-m", "pip", "install", "--dry-run", "--ignore-installed"]
    asked = subprocess.run(
        [*command, "--quiet", "--only-binary=:all:", "--report=-", *arguments],
        stdout=subprocess.PIPE,
        check=True,
    )
    return {
        each["metadata"]["name"]: (
            each["metadata"]["version"],
            each["download_info"]["archive_info"]["hashes"]["sha256"],
        )
        for each in json.loads(asked.stdout)["install"]
    }


def _versions(pinned: Iterable[str]) -> dict[str, dict[str, str]]:
    """Give the version of each package by the file that has to hold it."""
    asked: list[str] = []
    known: set[str] = set()
    found: dict[str, dict[str, str]] = {}
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as constraints:
        constraints.write("\n".join(pinned))
        constraints.flush()
        for file, lines in wanted().items():
            asked += lines
            chosen = _chosen([f"--constraint={constraints.name}", *asked])
            found[file] = {name: pin[0] for name, pin in chosen.items() if name not in known}
            known |= chosen.keys()
    return found


def _hashes(versions: Iterable[tuple[str, str]]) -> dict[str, set[str]]:
    """Give the SHA-256 of each wheel that is taken on any supported system, by package."""
    lines = [f"{name}=={version}" for name, version in versions]
    glibcs = range(_NEWEST_GLIBC, _OLDEST_GLIBC - 1, -1)
    found: dict[str, set[str]] = {}
    for python in PYTHONS:
        for machine in MACHINES:
            print(f"looking for the wheels of Python {python} on {machine}", file=sys.stderr)
            platforms = [f"--platform=manylinux_2_{glibc}_{machine}" for glibc in glibcs]
            options = [f"--python-version={python}", "--implementation=cp", "--target=unused"]
            for name, (_, digest) in _chosen(["--no-deps", *options, *platforms, *lines]).items():
                found.setdefault(name, set()).add(digest)
    return found


def write(versions: Mapping[str, Mapping[str, str]], hashes: Mapping[str, Iterable[str]]) -> None:
    """Write the files; `versions` has those of each by file and name."""
    included = ""
    for file, purpose in FILES.items():
        text = _HEAD.format(purpose=purpose) + included
        for name, version in sorted(versions[file].items(), key=lambda pin: pin[0].lower()):
            digests = [f"    --hash=sha256:{each}" for each in sorted(hashes[name])]
            text += " \\\n".join([f"{name}=={version}", *digests]) + "\n"
        (ROOT / "deploy" / file).write_text(text)
        included = f"-r {file}\n"


def main(arguments: list[str]) -> int:
    """Write the files anew."""
    if arguments not in ([], ["--newest"]):
        print("usage: python -m tests.pins [--newest]", file=sys.stderr)
        return 2
    if f"{sys.version_info[0]}.{sys.version_info[1]}" != PYTHONS[0]:
        print(f"Run this by Python {PYTHONS[0]}, the oldest supported one.", file=sys.stderr)
        return 2
    kept = [] if arguments else [
        f"{name}=={version}"
        for file in FILES
        for name, (version, _) in read_pins(ROOT / "deploy" / file).items()
    ]  # fmt: skip
    versions = _versions(kept)
    write(versions, _hashes(pin for each in versions.values() for pin in each.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
