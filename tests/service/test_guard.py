"""The guard on a second computer: each absence of the watch is mailed once, and its return once."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cabinetwatch.errors import ConfigError
from cabinetwatch.service.guard import Guard
from cabinetwatch.service.guard_judge import Judge, Verdict, read_heartbeat
from tests.service.mails import part
from tests.service.site import Site
from tests.service.watching import WatchProcess, running, wait_until
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.notify_socket import NotifySocket

ONLINE = b'{"online":true,"since":"2026-01-01T00:00:00.000Z"}'
OFFLINE = b'{"online": false}'
ROOT = Path(__file__).parents[2]


class GuardProcess(WatchProcess):
    """The guard as its users run it."""

    def __init__(self, config: Path, after: str) -> None:
        self.log_path = config.with_name("guard.log")
        command = [sys.executable, "-m", "cabinetwatch", "guard", "--config", str(config)]
        with self.log_path.open("ab") as out:
            self._process = subprocess.Popen(
                [*command, "--after", after], stdout=out, stderr=out, cwd=ROOT
            )


@contextmanager
def guarding(site: Site, after: str = "2s") -> Iterator[GuardProcess]:
    """A guard that has reached the broker."""
    process = GuardProcess(site.write(), after)
    try:
        process.wait_log("connected to the broker")
        yield process
        assert process.stop() == 0
        assert "Traceback" not in process.log
    finally:
        if process.running:
            process.kill()


def beat_until(cabinet: Wire, guard: GuardProcess, log: str) -> None:
    """Send heartbeats until the guard has logged something."""
    seen = guard.log.count(log)

    def heard() -> bool:
        cabinet.publish("cabinetwatch/watch", ONLINE)
        return guard.log.count(log) > seen

    wait_until(heard, log)


# The real thing.


def test_a_watch_that_is_killed_is_mailed_once_and_its_return_once(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    with guarding(site) as guard:
        with running(site.write()) as watch:
            cabinet.wait_online()
            watch.kill()
        gone = smtp.wait_for(1)[0].message
        with running(site.write()) as watch:
            back = smtp.wait_for(2)[1].message
            assert watch.stop() == 0
        assert guard.running

    assert gone["Subject"] == "under-stairs cabinet: THE WATCH IS GONE"
    text = part(gone, "plain")
    assert "has not been heard for 2 s" in text
    assert "it was stopped, it has died" in text
    assert back["Subject"] == "under-stairs cabinet: the watch is back"
    assert [mail.message["Subject"] for mail in smtp.messages] == [gone["Subject"], back["Subject"]]


def test_a_broker_that_is_away_is_told_as_such_and_the_return_after_a_heartbeat(
    site: Site, broker: Broker, smtp: MailDrop
) -> None:
    with guarding(site) as guard:
        broker.stop()
        text = part(smtp.wait_for(1)[0].message, "plain")
        assert "it has no connection to the broker" in text
        broker.start()
        wait_until(lambda: guard.log.count("connected to the broker") == 2, "the reconnect")
        again = Wire(broker.port)
        beat_until(again, guard, "the watch is back")
        again.close()
        smtp.wait_for(2)


def test_a_mail_server_that_is_away_delays_the_mail_and_loses_none(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    smtp.refuse("451 4.3.0 try later")
    with guarding(site) as guard:
        guard.wait_log("was not told")
        beat_until(cabinet, guard, "the watch is back")
        smtp.behave()
        subjects = [mail.message["Subject"] for mail in smtp.wait_for(2)]

    assert [subject.rpartition(": ")[2] for subject in subjects] == [
        "THE WATCH IS GONE",
        "the watch is back",
    ]


def test_the_guard_of_a_running_watch_does_not_throw_it_off_the_broker(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        heard = cabinet.mark()
        with guarding(site, "1m"):
            cabinet.mark()
        assert watch.running
        said = [each for each in cabinet.messages[heard:] if each.topic == "cabinetwatch/watch"]
        assert all(each.data["online"] for each in said)
        assert "is lost" not in watch.log
        assert watch.stop() == 0


def test_the_guard_tells_systemd_that_it_is_ready_and_alive(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with NotifySocket(tmp_path / "notify") as systemd:
        monkeypatch.setenv("NOTIFY_SOCKET", str(systemd.path))
        with guarding(site, "1m"):
            assert systemd.wait_for("") == "READY=1"
            systemd.wait_for("WATCHDOG=1")
        systemd.wait_for("STOPPING=1")


def test_a_guard_that_would_have_nobody_to_mail_is_refused_in_a_sentence(site: Site) -> None:
    site.mail_port = None
    with pytest.raises(ConfigError, match=r"a table \[notify.email\] is needed"):
        Guard(site.config(), 60.0)


def test_a_time_that_is_none_is_refused_in_a_sentence(site: Site) -> None:
    guard = GuardProcess(site.write(), "soon")
    assert guard.wait() == 2
    assert guard.log.startswith("--after: 'soon' is no duration")
    assert guard.log.count("\n") == 1


# The judgement alone.


@pytest.fixture
def judge() -> Judge:
    made = Judge(180.0, 1000.0)
    made.connection(up=True, reason="connected")
    return made


def test_a_heartbeat_in_time_is_no_news(judge: Judge) -> None:
    for now_s in range(1000, 5000, 30):
        assert judge.heard(ONLINE, retained=False, now_s=now_s) is None
        assert judge.look(now_s + 29) is None


def test_an_absence_is_told_once_after_its_time_and_its_end_once(judge: Judge) -> None:
    judge.heard(ONLINE, retained=False, now_s=1000)
    assert judge.look(1179) is None
    news = judge.look(1180)
    assert news is not None
    assert (news.kind, news.for_s) == ("gone", 180)
    assert "has fallen silent" in news.why
    assert judge.look(9000) is None
    assert judge.heard(ONLINE, retained=False, now_s=9001) == Verdict("back", 8001)
    assert judge.heard(ONLINE, retained=False, now_s=9031) is None
    assert judge.look(9032) is None


def test_what_the_broker_has_kept_is_no_sign_of_life_but_says_what_was_last(judge: Judge) -> None:
    assert judge.heard(ONLINE, retained=True, now_s=1100) is None
    first = judge.look(1180)
    assert first is not None
    assert "has not been heard since the guard began" in first.why
    judge = Judge(180.0, 0.0)
    judge.connection(up=True, reason="connected")
    judge.heard(OFFLINE, retained=True, now_s=1.0)
    news = judge.look(180.0)
    assert news is not None
    assert "The broker says that it is offline" in news.why


def test_a_short_restart_of_the_watch_is_not_told(judge: Judge) -> None:
    judge.heard(ONLINE, retained=False, now_s=1000)
    judge.heard(OFFLINE, retained=False, now_s=1010)
    assert judge.look(1100) is None
    assert judge.heard(ONLINE, retained=False, now_s=1101) is None


@pytest.mark.parametrize(
    "payload",
    [b"", b"online", b"[]", b'{"online": 1}', b'{"online": "true"}', b"\xff", b"[" * 4000,
     b'{"online": true, "x": "' + b"x" * 5000 + b'"}'],
)  # fmt: skip
def test_a_payload_that_is_no_heartbeat_counts_for_nothing(payload: bytes, judge: Judge) -> None:
    assert read_heartbeat(payload) is None
    assert judge.heard(payload, retained=False, now_s=1170) is None
    assert judge.look(1180) is not None
