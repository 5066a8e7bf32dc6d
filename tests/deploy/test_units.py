"""The units are right, walled in, and what they call exists; the scripts are clean POSIX shell."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import cabinetwatch
from cabinetwatch.cli.main import main
from cabinetwatch.watch.conditions import load_config

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted(DEPLOY.glob("*.service"))
COMMAND = "/opt/cabinetwatch/env/bin/cabinetwatch"
MOST_EXPOSURE = 2.0


def program(name: str, package: str) -> str:
    path = shutil.which(name)
    assert path is not None, f"{name} is missing: install the package {package} to run these tests"
    return path


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [program("systemd-analyze", "systemd"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)


def unit_text(path: Path, option: str) -> list[str]:
    """Give every value of an option of a unit, in order."""
    return re.findall(rf"^{option}=(.*)$", path.read_text(), re.MULTILINE)


def test_there_are_four_units_and_the_scripts_know_them_all() -> None:
    names = {f"cabinetwatch{each}.service" for each in ("", "-failed", "-guard", "-page")}
    assert {path.name for path in UNITS} == names
    told = subprocess.run(
        ["sh", "-c", '. "$1/system.sh"; echo $OUR_UNITS', "sh", str(DEPLOY)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert set(told.stdout.split()) == names


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    for path in UNITS:
        text = path.read_text().replace(COMMAND, sys.executable)
        # The documentation is installed beside them.
        (tmp_path / path.name).write_text(re.sub("^Documentation=.*$", "", text, flags=re.M))
    found = analyze("verify", "--man=no", *(str(tmp_path / path.name) for path in UNITS))
    about_ours = [line for line in found.stderr.splitlines() if "cabinetwatch" in line]
    assert about_ours == []
    assert found.returncode == 0, found.stderr


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.stem)
def test_a_unit_is_exposed_by_no_more_than_two_of_ten(path: Path) -> None:
    rated = analyze("security", "--offline=true", "--no-pager", str(path))
    match = re.search(r"Overall exposure level for \S+: (\d+\.\d)", rated.stdout)
    assert match is not None, rated.stderr
    assert float(match[1]) <= MOST_EXPOSURE, rated.stdout


def test_the_watch_is_started_again_without_limit_and_its_failure_is_mailed() -> None:
    unit = DEPLOY / "cabinetwatch.service"
    assert unit_text(unit, "Restart") == ["always"]
    assert unit_text(unit, "StartLimitIntervalSec") == ["0"]
    assert unit_text(unit, "OnFailure") == ["cabinetwatch-failed.service"]
    assert unit_text(unit, "Type") == ["notify"]
    assert unit_text(unit, "WatchdogSec")


def test_the_page_is_started_again_without_limit_and_does_not_hang_on_the_watch() -> None:
    unit = DEPLOY / "cabinetwatch-page.service"
    assert unit_text(unit, "Restart") == ["on-failure"]
    assert unit_text(unit, "StartLimitIntervalSec") == ["0"]
    assert unit_text(unit, "OOMPolicy") == ["continue"]
    ties = ("Requires", "Requisite", "BindsTo", "PartOf", "Upholds", "Wants", "After")
    named = [each for tie in ties for line in unit_text(unit, tie) for each in line.split()]
    assert set(named) == {"network-online.target"}


def test_the_page_is_at_first_for_this_machine_alone_and_its_address_alone_is_to_be_said() -> None:
    """A drop-in's Environment= adds to the unit's; of a name given twice the later counts."""
    unit = DEPLOY / "cabinetwatch-page.service"
    given = [each for line in unit_text(unit, "Environment") for each in line.split()]
    assert "CABINETWATCH_PAGE=127.0.0.1:8080" in given
    [line] = unit_text(unit, "ExecStart")
    assert line.endswith(" --serve ${CABINETWATCH_PAGE}")
    opened = "    [Service]\n    Environment=CABINETWATCH_PAGE=0.0.0.0:8080\n"
    manual = Path(cabinetwatch.__file__).with_name("manual")
    assert opened in (manual / "page.md").read_text()
    assert opened.replace("    ", "#     ") in unit.read_text()


def test_the_page_writes_into_the_watchs_folder_and_draws_in_a_folder_of_its_own() -> None:
    watch, page = (DEPLOY / f"cabinetwatch{each}.service" for each in ("", "-page"))
    for option in ("User", "Group", "UMask", "StateDirectory", "StateDirectoryMode"):
        assert unit_text(page, option) == unit_text(watch, option)
    given = dict(
        each.split("=") for line in unit_text(page, "Environment") for each in line.split()
    )
    [runtime] = unit_text(page, "RuntimeDirectory")
    assert runtime not in unit_text(watch, "RuntimeDirectory")[0].split()
    assert given["TMPDIR"] == given["MPLCONFIGDIR"] == f"/run/{runtime}"


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.stem)
def test_what_a_unit_starts_is_a_command_with_options_that_exist(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (line,) = unit_text(path, "ExecStart")
    executable, command, *options = line.split()
    assert executable == COMMAND
    with pytest.raises(SystemExit):
        main([command, "--help"])
    shown = capsys.readouterr().out
    assert all(option in shown for option in options if option.startswith("--"))


@pytest.mark.parametrize(
    ("result", "starts"), [("success", False), ("exit-code", True), ("watchdog", True)]
)
def test_the_mail_is_started_when_the_watch_ended_badly_and_only_then(
    result: str, starts: bool, tmp_path: Path
) -> None:
    (line,) = unit_text(DEPLOY / "cabinetwatch.service", "ExecStopPost")
    script = re.fullmatch(r"-\+/bin/sh -c '(.*)'", line)
    assert script is not None
    # systemd writes a dollar sign that is not its own twice (systemd.service(5)).
    text = script[1].replace("$$", "$")
    fake = tmp_path / "systemctl"
    fake.write_text('#!/bin/sh\necho "$@"\n')
    fake.chmod(0o755)
    ran = subprocess.run(
        ["/bin/sh", "-c", text],
        env={"SERVICE_RESULT": result, "PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0
    expected = "--no-block start cabinetwatch-failed.service\n" if starts else ""
    assert ran.stdout == expected


def test_the_first_configuration_is_right_and_keeps_the_database_where_the_unit_may_write() -> None:
    config = load_config(DEPLOY / "config.toml")
    state, runtime = (
        unit_text(DEPLOY / "cabinetwatch.service", option)[0]
        for option in ("StateDirectory", "RuntimeDirectory")
    )
    assert config.store_path().parent == Path("/var/lib") / state
    assert config.page is not None
    in_memory = [Path("/run") / each for each in runtime.split()]
    assert config.page.directory in in_memory
    [drawing] = unit_text(DEPLOY / "cabinetwatch.service", "Environment")
    assert Path(drawing.removeprefix("MPLCONFIGDIR=")) in in_memory


def test_credentials_have_the_names_that_the_configuration_looks_for() -> None:
    assert unit_text(DEPLOY / "cabinetwatch.service", "LoadCredential") == [
        "mqtt-password:cabinetwatch.mqtt-password",
        "email-password:cabinetwatch.email-password",
    ]
    assert unit_text(DEPLOY / "cabinetwatch-page.service", "LoadCredential") == [
        "page-pin:cabinetwatch.page-pin"
    ]


def test_the_manual_tells_how_exposed_each_unit_is() -> None:
    told = (Path(cabinetwatch.__file__).with_name("manual") / "security.md").read_text()
    words = r"exposure (.*) of 10, the page's the same \(the mailer's and the guard's (.*)\)\. Mem"
    [(watch_and_page, others)] = re.findall(words, " ".join(told.split()))
    for path in UNITS:
        rated = analyze("security", "--offline=true", "--no-pager", str(path)).stdout
        is_other = path.stem in {"cabinetwatch-failed", "cabinetwatch-guard"}
        figure = others if is_other else watch_and_page
        assert f"exposure level for {path.name}: {figure} " in rated


@pytest.mark.parametrize(
    "path",
    [*sorted(DEPLOY.glob("*.sh")), Path(__file__).with_name("clean_root.sh")],
    ids=lambda path: path.name,
)
def test_a_script_is_clean_posix_shell(path: Path) -> None:
    # From the root of the project, where each script goes before it reads in another.
    checked = subprocess.run(
        [
            program("shellcheck", "shellcheck"),
            "--shell=sh",
            "-x",
            str(path.relative_to(DEPLOY.parent)),
        ],
        cwd=DEPLOY.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout


WITHOUT_WRITABLE_CODE = """
import ctypes, io, sys
PR_SET_MDWE, REFUSE_EXEC_GAIN = 65, 1
known = ctypes.CDLL(None).prctl(PR_SET_MDWE, REFUSE_EXEC_GAIN, 0, 0, 0) == 0
import jinja2, matplotlib, numpy, pydantic, scipy.optimize, sqlalchemy, ssl
from matplotlib.figure import Figure
numpy.linalg.inv(numpy.eye(50) + 1)
scipy.optimize.least_squares(lambda x: x - 1, [0.0])
for kind in ("png", "svg"):
    Figure().savefig(io.BytesIO(), format=kind)
with open("/proc/self/maps") as maps:
    mapped = [line for line in maps if "wx" in line.split()[1]]
print(known, *mapped)
"""


def test_no_library_of_the_watch_or_its_children_needs_memory_that_is_written_and_run() -> None:
    """MemoryDenyWriteExecute=: asked of the kernel itself from Linux 6.3 on (PR_SET_MDWE(2const)).

    An older one doesn't know the question; that nothing is mapped so holds with either.
    """
    ran = subprocess.run(
        [sys.executable, "-c", WITHOUT_WRITABLE_CODE], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() in {"True", "False"}
