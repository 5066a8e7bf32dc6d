"""`listen` and `record` on a real broker."""

import json
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt import publish
from rich.console import Console

from cabinetwatch.cli import check
from cabinetwatch.cli.main import main
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.mqtt.draft import Survey
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.mqtt.recording import Recorder, read_recording
from cabinetwatch.watch.conditions import load_config
from tests.service.watching import wait_until
from tests.support.broker import Broker
from tests.support.patience import WITHIN_S

# It ends sooner, once what it is to hear has come: however long a busy machine takes to it.
FOR_A_WHILE = "1h"
SENSOR = '[sensors.nas-air]\ntopic = "under-stairs/nas/air"\nquantity = "temperature"\n'


@pytest.fixture
def config_file(broker: Broker, tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_text(f"[mqtt]\nport = {broker.port}\n")
    return path


@contextmanager
def running(broker: Broker, *arguments: str) -> Iterator["subprocess.Popen[str]"]:
    """A command in a process of its own, connected and subscribed."""
    program = "import cabinetwatch.cli.main as main; main.entry()"
    process = subprocess.Popen(
        [sys.executable, "-c", program, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    try:
        assert process.stderr is not None
        assert "connected" in process.stderr.readline()
        _wait_for_subscription(broker)
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def _wait_for_subscription(broker: Broker) -> None:
    wait_until(lambda: "Sending SUBACK to cabinetwatch" in broker.log, "the subscription")


def send(broker: Broker, topic: str, payload: str, *, qos: int = 1, retain: bool = False) -> None:
    publish.single(topic, payload, qos, retain, hostname=broker.host, port=broker.port)


def finish(process: "subprocess.Popen[str]", number: int) -> tuple[str, str]:
    process.send_signal(number)
    out, err = process.communicate(timeout=WITHIN_S)
    return out, err


def interrupted_by(monkeypatch: pytest.MonkeyPatch, owner: object, name: str) -> None:
    """Let somebody press Ctrl-C after the first call of a function."""
    called = getattr(owner, name)

    def first(*arguments: object) -> None:
        monkeypatch.setattr(owner, name, called)
        called(*arguments)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(owner, name, first)


def test_listen_shows_what_arrives_and_drafts_what_check_accepts(
    broker: Broker, config_file: Path
) -> None:
    send(broker, "hall/temperature", "21.0", retain=True)
    with running(broker, "listen", "--config", str(config_file)) as process:
        send(broker, "under-stairs/nas/temperature", "41.5")
        send(broker, "under-stairs/switch", '{"temperature": 48, "power": 12}', qos=0)
        send(broker, "under-stairs/switch", "\x1b[2J")
        assert process.stdout is not None
        shown = "".join(process.stdout.readline() for _ in range(4))
        out, err = finish(process, signal.SIGINT)
        assert process.returncode == 0
    whole = shown + out
    assert "\x1b" not in whole
    assert "under-stairs/nas/temperature  41.5  (QoS 1)" in shown
    assert "hall/temperature  21.0  (QoS 1, retained)" in shown
    assert "(QoS 0)" in shown
    assert len(tomllib.loads(whole)["sensors"]) == 4
    with config_file.open("a") as file:
        file.write(whole)
    config = load_config(config_file)
    assert config.devices["under-stairs-nas"].ambient == "hall-temperature"
    assert config.devices["under-stairs-switch"].power == ("under-stairs-switch-power",)
    assert "Traceback" not in err


def test_listen_writes_its_draft_to_a_new_file_only(
    broker: Broker,
    config_file: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    send(broker, "under-stairs/nas/temperature", "41.5", retain=True)
    interrupted_by(monkeypatch, Survey, "note")
    out = tmp_path / "draft.toml"
    command = ["listen", "--config", str(config_file), "--for", FOR_A_WHILE, "--out", str(out)]
    assert main(command) == 0
    assert "[devices.under-stairs-nas]" in out.read_text()
    assert main(command) == 2
    assert f"{out} exists already" in capsys.readouterr().err


def test_listen_tells_of_what_the_broker_keeps_not(broker: Broker, config_file: Path) -> None:
    with running(broker, "listen", "--config", str(config_file)) as process:
        send(broker, "under-stairs/nas/temperature", "41.5", qos=0)
        assert process.stdout is not None
        process.stdout.readline()
        out, _ = finish(process, signal.SIGINT)
    assert "comes at QoS 0, which no broker keeps" in out


def test_listen_leaves_no_session_behind(
    broker: Broker, config_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(broker, "under-stairs/nas/temperature", "41.5", retain=True)
    interrupted_by(monkeypatch, Survey, "note")
    assert main(["listen", "--config", str(config_file), "--for", FOR_A_WHILE]) == 0
    (connected,) = re.findall(
        r"New client connected from .* as (cabinetwatchListen\w+) \((.*)\)", broker.log
    )
    assert "c1" in connected[1]  # Mosquitto's words for Clean Start
    broker.stop()
    assert connected[0].encode() not in (broker.directory / "mosquitto.db").read_bytes()


def test_listen_says_why_it_hears_nothing(
    broker: Broker,
    config_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert main(["listen", "--config", str(config_file), "--for", "1s"]) == 1
    assert "nothing arrived" in capsys.readouterr().err
    broker.stop()
    interrupted_by(monkeypatch, check, "say")
    assert main(["listen", "--config", str(config_file), "--for", FOR_A_WHILE]) == 1
    assert "nobody listens there" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["listen", "--for", "soon"], "--for: 'soon' is no duration"),
        (["listen", "a/b#"], "topic filter"),
        (["listen", "--out", "{folder}/nowhere/x"], "nowhere is no folder that you may write to"),
        (["record", "{folder}/x.jsonl", "--topic", "+a"], "topic filter"),
        (["record", "{folder}/nowhere/x.jsonl"], "nowhere/x.jsonl: can't write"),
    ],
)
def test_wrong_use_is_one_sentence(
    config_file: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], sentence: str
) -> None:
    filled = [argument.format(folder=config_file.parent) for argument in arguments]
    assert main([*filled, "--config", str(config_file)]) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


def test_record_writes_what_arrives_and_stops_cleanly(
    broker: Broker, config_file: Path, tmp_path: Path
) -> None:
    path = tmp_path / "cabinet.jsonl"
    send(broker, "hall/air", "20.0", retain=True)
    with running(broker, "record", str(path), "--config", str(config_file)) as process:
        for value in ("41.5", "\N{DEGREE SIGN}C", ""):
            send(broker, "under-stairs/nas/air", value)
        _wait_for_lines(path, 4)
        _, err = finish(process, signal.SIGTERM)
        assert process.returncode == 0
    assert f"4 messages written to {path}" in err
    recorded = list(read_recording(path, pytest.fail))
    assert [(one.topic, one.payload.decode(), one.retain) for one in recorded] == [
        ("hall/air", "20.0", True),
        ("under-stairs/nas/air", "41.5", False),
        ("under-stairs/nas/air", "\N{DEGREE SIGN}C", False),
        ("under-stairs/nas/air", "", False),
    ]
    assert path.stat().st_mode & 0o777 == 0o600
    assert set(json.loads(path.read_text().splitlines()[1])) == {"time", "topic", "payload"}


def _wait_for_lines(path: Path, count: int) -> None:
    """The recording reaches the disk while it goes on."""
    wait_until(
        lambda: path.exists() and path.read_text().count("\n") >= count, f"{count} lines in {path}"
    )


def test_record_takes_the_configured_topics_or_those_asked_for(
    broker: Broker, config_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config_file.write_text(config_file.read_text() + SENSOR)
    for topic in ("under-stairs/nas/air", "hall/air"):
        send(broker, topic, "20.0", retain=True)
    configured, asked = tmp_path / "configured.jsonl", tmp_path / "asked.jsonl"
    command = ["record", "--config", str(config_file), "--for", FOR_A_WHILE]
    interrupted_by(monkeypatch, Recorder, "write")
    assert main([*command, str(configured)]) == 0
    interrupted_by(monkeypatch, Recorder, "write")
    assert main([*command, str(asked), "--topic", "hall/+"]) == 0
    assert [one.topic for one in read_recording(configured, pytest.fail)] == [
        "under-stairs/nas/air"
    ]
    assert [one.topic for one in read_recording(asked, pytest.fail)] == ["hall/air"]


def test_the_live_table_shows_each_topic_once(capsys: pytest.CaptureFixture[str]) -> None:

    watch, survey = WatchTime(SystemClock()), Survey()
    for retain in (True, False):
        t = watch.now_ms()
        survey.note(Incoming(1, 1, "hall/[red]air", b"21\x1b", 1, False, retain, t, False))
    Console(width=120).print(check.table(survey, watch))
    shown = capsys.readouterr().out
    assert shown.count("hall/[red]air") == 1
    assert "21\\x1b" in shown
