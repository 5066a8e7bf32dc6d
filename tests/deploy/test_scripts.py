"""The two scripts say in one sentence what is missing; the pins hold what the project asks for."""

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
PIN = re.compile(r"([A-Za-z0-9._-]+)==(\S+)")


def run_script(script: str, bin_folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a script of deploy/ with only the programs of `bin_folder` on the search path."""
    shell = shutil.which("sh")
    assert shell is not None
    return subprocess.run(
        [shell, str(DEPLOY / script)],
        env={"PATH": str(bin_folder), "LC_ALL": "C"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def bare_machine(folder: Path, user_id: int) -> Path:
    """Make a folder of programs as a machine without Python has them, for a user."""
    folder.mkdir()
    for name in ("dirname", "rm", "cat"):
        program = shutil.which(name)
        assert program is not None
        (folder / name).symlink_to(program)
    fake_id = folder / "id"
    fake_id.write_text(f"#!/bin/sh\necho {user_id}\n")
    fake_id.chmod(0o755)
    return folder


@pytest.mark.parametrize("script", ["demo.sh", "test.sh"])
def test_a_plain_user_without_python_is_told_in_one_sentence_what_to_install(
    script: str, tmp_path: Path
) -> None:
    result = run_script(script, bare_machine(tmp_path / "bin", user_id=1000))

    assert result.returncode == 1
    assert result.stdout == ""
    assert result.stderr.startswith("Missing here: install python3 python3-venv")
    assert result.stderr.count("\n") == 1


def test_root_without_apt_is_told_the_same(tmp_path: Path) -> None:
    result = run_script("demo.sh", bare_machine(tmp_path / "bin", user_id=0))

    assert result.returncode == 1
    assert result.stderr.startswith("Missing here: install python3 python3-venv")


def test_ci_runs_the_test_script_and_nothing_else() -> None:
    assert (ROOT / ".ci" / "run").read_text() == "#!/bin/sh\nsh deploy/test.sh\n"


def pins(file_name: str) -> dict[str, Version]:
    """Read a requirements file: each line a pin, a comment or the inclusion of another file."""
    found = {}
    for line in (DEPLOY / file_name).read_text().splitlines():
        if line.startswith(("#", "-r ")):
            continue
        match = PIN.fullmatch(line)
        assert match is not None, line
        found[_normalised(match[1])] = Version(match[2])
    return found


def _normalised(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


@pytest.mark.parametrize(
    ("file_names", "extras"),
    [
        (["requirements.txt"], ["demo"]),
        (["requirements.txt", "requirements-test.txt"], ["demo", "test"]),
    ],
)
def test_the_pins_lie_within_the_ranges_of_the_project(
    file_names: list[str], extras: list[str]
) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    pinned = {name: version for file in file_names for name, version in pins(file).items()}
    wanted = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    for extra in extras:
        wanted += project["project"]["optional-dependencies"][extra]

    for requirement in map(Requirement, wanted):
        if requirement.name == "cabinetwatch":
            continue
        version = pinned.get(_normalised(requirement.name))
        assert version is not None, f"{requirement.name} is not pinned"
        assert requirement.specifier.contains(version), requirement


def test_no_version_is_pinned_twice() -> None:
    assert not pins("requirements.txt").keys() & pins("requirements-test.txt").keys()
