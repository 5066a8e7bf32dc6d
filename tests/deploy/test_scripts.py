"""The two scripts say in one sentence what is missing; the pins hold what the project asks for."""

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from importlib import metadata
from itertools import pairwise
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

from tests.pins import FILES, MACHINES, PYTHONS, read_pins

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"


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


INSTALL = ROOT / "deploy" / "install.sh"


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
    """Read a requirements file: pins, each with its hashes, and the inclusion of another file."""
    found = read_pins(DEPLOY / file_name)
    return {_normalised(name): Version(version) for name, (version, _) in found.items()}


def _normalised(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


@pytest.mark.parametrize(
    ("file_names", "extras"),
    [
        (["requirements.txt"], []),
        (["requirements.txt", "requirements-reports.txt"], ["reports"]),
        (list(FILES), ["reports", "demo", "test"]),
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


def test_no_version_is_pinned_twice_and_each_file_brings_those_before_it() -> None:
    names = [name for file in FILES for name in pins(file)]
    assert len(names) == len(set(names))
    for before, file in pairwise(FILES):
        assert f"\n-r {before}\n" in (DEPLOY / file).read_text()


def test_root_installs_nothing_that_only_the_demonstration_or_the_tests_need() -> None:
    running = pins("requirements.txt")
    running |= pins("requirements-reports.txt")
    assert not running.keys() & {"amqtt", "aiosmtpd", "typer", "websockets", "pytest", "selenium"}
    for script, files in (
        ("demo.sh", ["-demo"]),
        ("test.sh", ["-test"]),
        ("install.sh", ["", "-reports"]),
    ):
        named = re.findall(r"deploy/(requirements\S*\.txt)", (DEPLOY / script).read_text())
        assert set(named) == {f"requirements{file}.txt" for file in files}


def test_the_watch_alone_is_small_and_each_size_that_is_told_is_true() -> None:
    """As it is on this machine, pip, setuptools and byte code included; others differ somewhat."""
    manual = (ROOT / "cabinetwatch" / "manual" / "install.md").read_text()
    told_mb = {
        name: float(size)
        for name, size in re.findall(r"^\| `(requirements\S*)` .* (\d+) MB \|$", manual, re.M)
    }
    script = (DEPLOY / "prepare.sh").read_text()
    for name, size in re.findall(r"^    \*/(requirements\S*)\) echo (\d+) ;;$", script, re.M):
        assert float(size) == told_mb.pop(name)
        lists = list(FILES)[: list(FILES).index(name) + 1]
        size_mb = _installed_mb({"pip", *(each for file in lists for each in pins(file))})
        assert abs(size_mb - float(size)) < 0.2 * float(size), (name, size_mb)
    assert not told_mb
    readme = (ROOT / "README.md").read_text()
    assert re.findall(r"(\d+) MB of the card, or (\d+) MB", readme) == [("415", "90")]
    assert _installed_mb({"pip", *pins("requirements.txt")}) < 150


def _installed_mb(names: Iterable[str]) -> float:
    files = {Path(str(file.locate())) for name in names for file in metadata.files(name) or []}
    return sum(file.stat().st_blocks * 512 for file in files if file.exists()) / 1e6


def test_what_the_installation_asks_of_a_configuration_is_answered(tmp_path: Path) -> None:
    (asked,) = re.findall(r"-c '\n(import sys\n.*?)' \"\$CONFIG\"", INSTALL.read_text(), re.DOTALL)
    config = tmp_path / "config.toml"
    config.write_text('[sensors.nas-air]\ntopic = "cabinet/nas"\nquantity = "temperature"\n')
    command = [sys.executable, "-I", "-c", asked, str(config)]
    told = subprocess.run(command, capture_output=True, text=True, check=True)
    assert told.stdout == f"1 {tmp_path / 'cabinetwatch.db'}\n"
    config.write_text("[sensors.nas-air]\n")
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    assert told.returncode == 1
    assert "topic is missing" in told.stderr
    assert "Traceback" not in told.stderr


def test_what_brings_another_package_along_has_it_pinned_for_the_same_part() -> None:
    """As the packages say themselves, here where all of them are installed."""
    known: set[str] = set()
    for file in FILES:
        known |= pins(file).keys()
        for name in pins(file):
            for line in metadata.requires(name) or []:
                wanted = Requirement(line)
                if wanted.marker is None or wanted.marker.evaluate({"extra": ""}):
                    assert _normalised(wanted.name) in known, f"{name} of {file}: {line}"


def test_each_machine_and_python_has_a_hash_of_its_own_for_what_is_compiled() -> None:
    """Six wheels at least: those of three Pythons on two machines."""
    hashes = {
        name: found for file in FILES for name, (_, found) in read_pins(DEPLOY / file).items()
    }
    for name in ("numpy", "scipy", "matplotlib", "pillow"):
        assert len(hashes[name]) >= len(PYTHONS) * len(MACHINES)


@pytest.mark.parametrize(
    "line", ["numpy==2.4.6", "numpy>=2", "https://files.example/numpy.whl", "--hash=sha256:00"]
)
def test_a_line_without_version_or_hash_is_no_pin(line: str, tmp_path: Path) -> None:
    file = tmp_path / "requirements.txt"
    file.write_text(f"{line}\n")
    with pytest.raises(ValueError, match=r"is neither a pin nor a hash|has no hash"):
        read_pins(file)


@pytest.mark.parametrize(
    ("told", "passed_on"),
    [
        ("", ""),
        ("global.index-url='https://a.example/simple'", "--index-url=https://a.example/simple"),
        (
            "global.index-url='https://a.example'\ninstall.index-url='https://b.example'",
            "--index-url=https://b.example",
        ),
        (
            "global.index-url='https://a.example'\n:env:.index-url='https://c.example'",
            "--index-url=https://c.example",
        ),
        (":env:.extra-index-url='https://a.example\\nhttps://b.example'",
         "--extra-index-url=https://a.example\n--extra-index-url=https://b.example"),
        (":env:.no-index='1'\n:env:.find-links='/wheels'", "--no-index\n--find-links=/wheels"),
        (":env:.default-timeout='180'", "--timeout=180"),
        (":env:.target='/elsewhere'\n:env:.require-hashes='0'\nfreeze.index-url='x'", ""),
    ],
)  # fmt: skip
def test_pip_is_told_the_way_to_its_index_and_nothing_else_that_it_was_told_before(
    told: str, passed_on: str, tmp_path: Path
) -> None:
    """`pip config list` is played, for what it says belongs to the machine."""
    (tmp_path / "told").write_text(told + "\n" if told else "")
    python = tmp_path / "python"
    python.write_text(
        f'#!/bin/sh\n[ "$2" = -m ] && exec cat {tmp_path}/told\nexec {sys.executable} "$@"\n'
    )
    python.chmod(0o755)
    ran = subprocess.run(
        ["sh", "-c", '. deploy/prepare.sh; way_to_index "$1"', "sh", str(python)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert ran.stdout.strip() == passed_on
