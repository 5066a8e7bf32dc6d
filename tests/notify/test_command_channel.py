"""The command channel with real programs."""

import json
import os
import sys
import tracemalloc
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from cabinetwatch.config.services import Command
from cabinetwatch.notify.channels import MOST_DATA_BYTES, CommandChannel
from cabinetwatch.notify.delivery import Attempt
from cabinetwatch.notify.plan import plan
from cabinetwatch.store.records import Notice, NoticeKind
from tests.notify.samples import make_config, transition
from tests.support.patience import WITHIN_S

HOSTILE = 'NAS; $(touch /nowhere) `id` "quoted" é\n'


def the_notice(text: str = HOSTILE) -> Notice:
    config = make_config('[notify.command]\nargv = ["siren"]\n', email=None)
    return next(n for n in plan([transition(text=text)], config) if n.channel == "command")


def run(*argv: str, timeout_s: float = 20.0) -> Attempt:
    channel = CommandChannel(Command(argv=argv, timeout_s=timeout_s))
    return channel.send(the_notice(), channel.recipients)


def run_python(source: str, *arguments: str, timeout_s: float = 20.0) -> Attempt:
    return run(sys.executable, "-c", source, *arguments, timeout_s=timeout_s)


@pytest.mark.parametrize(
    ("kind", "why"),
    [
        ("raise", "opened"),
        ("worse", "worse"),
        ("repeat", "again"),
        ("return", "over"),
        ("test", "test"),
    ],
)
def test_the_program_gets_transition_and_account_as_one_line_of_json(
    tmp_path: Path, kind: NoticeKind, why: str
) -> None:
    kept = tmp_path / "kept"
    source = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read())"
    notice = replace(the_notice(), kind=kind)
    (then,) = notice.accounts
    now = replace(then, now="It is hotter by now.")
    for present in (None, {then.id: now}.get):
        settings = Command(argv=(sys.executable, "-c", source, str(kept)), timeout_s=20.0)
        channel = CommandChannel(settings, present)
        assert channel.send(notice, channel.recipients) == Attempt(accepted=("command",))
    told = notice.transitions[-1].public() | {"message": why}
    assert [json.loads(line) for line in kept.read_text().splitlines()] == [
        told | {"incident": each.public()} for each in (then, now)
    ]


def test_arguments_reach_the_program_as_they_stand_and_no_shell_reads_them(tmp_path: Path) -> None:
    kept, marker = tmp_path / "kept", tmp_path / "marker"
    source = "import sys; open(sys.argv[1], 'w').write(sys.argv[2])"
    argument = f"$(touch {marker}); `touch {marker}` && touch {marker}"
    assert run_python(source, str(kept), argument).accepted
    assert kept.read_text() == argument
    assert not marker.exists()


def test_a_program_may_have_as_long_as_the_configuration_takes() -> None:
    assert run("/bin/true", timeout_s=1e9).accepted


def test_a_program_that_reads_nothing_counts_by_its_status() -> None:
    assert run("/bin/true").accepted == ("command",)
    refusal = run("/bin/false").refused["command"]
    assert refusal.error == "program /bin/false ended with status 1"
    assert not refusal.permanent


def test_what_it_says_on_standard_error_is_told() -> None:
    source = "import sys; sys.exit('x' * 1000 + ' no\\n siren \\x1b[31m attached')"
    error = run_python(source).refused["command"].error
    assert "ended with status 1: " in error
    assert error.endswith("x no siren \\x1b[31m attached")
    assert len(error) < 500


def test_a_program_that_does_not_exist_or_may_not_run_is_told(tmp_path: Path) -> None:
    assert "can't be started: No such file" in run("/nowhere/siren").refused["command"].error
    text = tmp_path / "no-program"
    text.write_text("#!/bin/sh\n")
    assert "can't be started: Permission denied" in run(str(text)).refused["command"].error


def test_a_signal_that_ends_it_is_told() -> None:
    error = run_python("import os; os.kill(os.getpid(), 15)").refused["command"].error
    assert "was ended by signal 15" in error


def test_after_its_time_it_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    # A shell, for it is up at once, whatever else the machine does.
    script = 'sleep 600 & echo "$$ $!" >"$1.new"; mv "$1.new" "$1"; sleep 600'
    attempt = run("/bin/sh", "-c", script, "sh", str(pids), timeout_s=2.0)
    assert "was stopped after 2 s" in attempt.refused["command"].error
    left = [int(pid) for pid in pids.read_text().split()]
    gone, alive = psutil.wait_procs(
        [psutil.Process(pid) for pid in left if psutil.pid_exists(pid)], timeout=WITHIN_S
    )
    del gone
    assert all(process.status() == psutil.STATUS_ZOMBIE for process in alive)


def test_a_child_left_behind_does_not_hold_us_up(tmp_path: Path) -> None:
    pid_file = tmp_path / "pid"
    source = (
        "import subprocess, sys\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "open(sys.argv[1], 'w').write(str(child.pid))\n"
    )
    assert run_python(source, str(pid_file)).accepted
    psutil.Process(int(pid_file.read_text())).kill()


def test_our_secrets_stay_with_us(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "kept"
    for name in ("CABINETWATCH_EMAIL_PASSWORD", "CABINETWATCH_MQTT_PASSWORD"):
        monkeypatch.setenv(name, "under-7-stairs-secret")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/under-7-stairs-secret")
    monkeypatch.setenv("PATH_TO_SIREN", "shed")
    source = "import os, sys; open(sys.argv[1], 'w').write(str(dict(os.environ)))"
    assert run_python(source, str(kept)).accepted
    assert "under-7-stairs-secret" not in kept.read_text()
    assert "shed" in kept.read_text()
    assert os.environ["CABINETWATCH_EMAIL_PASSWORD"] == "under-7-stairs-secret"


def test_what_it_says_without_end_fills_neither_card_nor_memory(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    # Far more than a pipe holds; what the kernel keeps of it is then asked of the kernel itself.
    source = (
        "import os, sys\n"
        "for _ in range(50): os.write(2, b'x' * 1_000_000)\n"
        "open(sys.argv[1], 'w').write(str(os.fstat(2).st_size))\n"
        "os.write(2, b' the last word')\n"
        "sys.exit(3)\n"
    )
    tracemalloc.start()
    try:
        error = run_python(source, str(kept)).refused["command"].error
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert int(kept.read_text()) < 1_000_000
    assert peak < 1_000_000
    assert "ended with status 3: " in error
    assert error.endswith("xxx the last word")


def test_one_that_talks_for_ever_is_stopped_in_time() -> None:
    error = run("/bin/sh", "-c", "exec yes >&2", timeout_s=0.5).refused["command"].error
    assert "was stopped after 0.5 s: y y y" in error or error.endswith("0.5 s")


def test_one_that_closes_its_error_output_is_waited_for_all_the_same() -> None:
    assert (
        run("/bin/sh", "-c", "exec 2>&-; sleep 0.1; exit 4")
        .refused["command"]
        .error.endswith("ended with status 4")
    )


def test_a_child_left_behind_that_goes_on_talking_does_not_hold_us_up(tmp_path: Path) -> None:
    pid_file = tmp_path / "pid"
    script = 'yes >&2 & echo $! >"$1"'
    assert run("/bin/sh", "-c", script, "sh", str(pid_file)).accepted
    # Nobody listens to it any more, which ends it.
    pid = int(pid_file.read_text())
    if psutil.pid_exists(pid):
        _, alive = psutil.wait_procs([psutil.Process(pid)], timeout=WITHIN_S)
        assert all(process.status() == psutil.STATUS_ZOMBIE for process in alive)


def test_one_that_ignores_the_polite_signals_and_forks_on_is_ended_whole(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    script = (
        "trap '' TERM HUP INT\n"
        'for n in 1 2 3 4 5 6 7 8; do (trap "" TERM HUP INT; while :; do sleep 600; done) &\n'
        'echo $! >>"$1"; done; wait'
    )
    attempt = run("/bin/sh", "-c", script, "sh", str(pids), timeout_s=2.0)
    assert "was stopped after 2 s" in attempt.refused["command"].error
    left = [int(pid) for pid in pids.read_text().split()]
    _, alive = psutil.wait_procs(
        [psutil.Process(pid) for pid in left if psutil.pid_exists(pid)], timeout=WITHIN_S
    )
    assert all(process.status() == psutil.STATUS_ZOMBIE for process in alive)


def test_one_that_eats_memory_fails_before_the_watch_does() -> None:
    # It says ready by itself: the limit is set once the program has been started.
    source = (
        "import resource, sys\n"
        f"while resource.getrlimit(resource.RLIMIT_DATA)[0] > {MOST_DATA_BYTES}: pass\n"
        "while open('/proc/self/oom_score_adj').read().strip() != '500': pass\n"
        "try:\n"
        f"    bytearray({MOST_DATA_BYTES})\n"
        "except MemoryError:\n"
        "    sys.exit('refused')\n"
    )
    assert run_python(source).refused["command"].error.endswith("ended with status 1: refused")
