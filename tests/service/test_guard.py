"""The guard on a second computer: each absence of the watch is mailed once, and its return once."""

import json
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cabinetwatch.service.guard import Guard, Judge, Liveness, read_heartbeat
from cabinetwatch.service.parts import Notifier
from cabinetwatch.text import ConfigError, plain
from tests.service.mails import part
from tests.service.site import Site
from tests.service.watching import WatchProcess, cabinetwatch, running, wait_until
from tests.service.wire import Wire, wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.notify_socket import NotifySocket
from tests.support.patience import WITHIN_S

ONLINE = b'{"online":true,"since":"2026-01-01T00:00:00.000Z"}'
OFFLINE = b'{"online": false}'
AFTER_S = 2.0


class GuardProcess(WatchProcess):
    """The guard as its users run it, but for its haste."""

    def __init__(self, config: Path, after: str) -> None:
        self.log_path = config.with_name("guard.log")
        command = ["tests.service.variants", "guards-in-haste", "guard"]
        self._start([*command, "--config", str(config), "--after", after])


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


class HandTime:
    """Stands in for the module `time` in a guard: its seconds pass when the test says so."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        """Seconds on a clock that never steps."""
        return self.now_s


class GuardThread:
    """A guard whose time the test lets pass; all else about it is real."""

    def __init__(self, site: Site, time: HandTime, log: pytest.LogCaptureFixture) -> None:
        self._time, self._log = time, log
        self._stop = threading.Event()
        self._guard = Guard(site.config(), AFTER_S)
        self.judge = self._guard._judge
        self._failures: list[BaseException] = []
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def pass_time(self, seconds: float) -> None:
        """Let time pass."""
        self._time.now_s += seconds

    def wait_connected(self, *, up: bool) -> None:
        """Wait until it knows that it has a way to the broker, or none."""
        judge = self.judge
        wait_until(lambda: (judge._broker_trouble is None) is up, f"the guard's way to be {up}")

    def wait_log(self, text: str) -> None:
        """Wait until it has logged a text."""
        wait_until(lambda: text in self._log.text, f"{text!r} in the log")

    def close(self) -> None:
        """End it; it must not have failed."""
        self._stop.set()
        self._thread.join(WITHIN_S)
        assert self._failures == []

    def _run(self) -> None:
        try:
            self._guard.run(self._stop, Notifier())
        except BaseException as error:  # noqa: BLE001 - told by `close`
            self._failures.append(error)


@pytest.fixture
def guard(
    site: Site, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> Iterator[GuardThread]:
    """A guard that has reached the broker."""
    caplog.set_level(logging.INFO)
    time = HandTime()
    monkeypatch.setattr("cabinetwatch.service.guard.time", time)
    made = GuardThread(site, time, caplog)
    try:
        made.wait_connected(up=True)
        yield made
    finally:
        made.close()


def subjects(smtp: MailDrop) -> list[str]:
    return [str(mail.message["Subject"]) for mail in smtp.messages]


# The real thing.


GONE = "under-stairs cabinet: THE WATCH IS GONE"
BACK = "under-stairs cabinet: the watch is back"


def test_a_watch_that_is_killed_is_mailed_once_and_its_return_once(
    site: Site, cabinet: Wire, smtp: MailDrop, guard: GuardThread
) -> None:
    with running(site.write()) as watch:
        wait_until(lambda: guard.judge._ever_heard, "the guard to hear the watch")
        watch.kill()
    wait_until(lambda: guard.judge._said_offline, "the guard to hear of the end")
    guard.pass_time(AFTER_S)
    gone = smtp.wait_for(1)[0].message
    with running(site.write()) as watch:
        cabinet.wait_online()
        smtp.wait_for(2)
        assert watch.stop() == 0

    text = part(gone, "plain")
    assert "has not been heard for 2 s" in plain(text)
    assert "it was stopped, it has died" in text
    assert subjects(smtp) == [GONE, BACK]


def test_a_broker_that_is_away_is_told_as_such_and_the_return_after_a_heartbeat(
    broker: Broker, smtp: MailDrop, guard: GuardThread
) -> None:
    broker.stop()
    guard.wait_connected(up=False)
    guard.pass_time(AFTER_S)
    text = part(smtp.wait_for(1)[0].message, "plain")
    assert "it has no connection to the broker" in text
    broker.start()
    guard.wait_connected(up=True)
    with wire(broker.port) as again:
        # It subscribes right after it has logged the connection.
        wait_until(lambda: guard.judge._ever_heard or not beat(again), "the heartbeat to be heard")
    smtp.wait_for(2)
    assert subjects(smtp) == [GONE, BACK]


def beat(cabinet: Wire) -> bool:
    """Send a heartbeat as the watch does."""
    cabinet.publish("cabinetwatch/watch", ONLINE)
    return True


def test_a_mail_server_that_is_away_delays_the_mail_and_loses_none(
    cabinet: Wire, smtp: MailDrop, guard: GuardThread
) -> None:
    smtp.refuse("451 4.3.0 try later")
    guard.pass_time(AFTER_S)
    guard.wait_log("was not told")
    wait_until(lambda: guard.judge._ever_heard or not beat(cabinet), "the heartbeat to be heard")
    guard.wait_log("the watch is back")
    smtp.behave()
    guard.pass_time(600.0)
    # What has become due is told, one after the other; the watch has fallen silent again meanwhile.
    wait_until(lambda: subjects(smtp)[:2] == [GONE, BACK], "both mails")


def test_a_guard_that_hears_nothing_at_all_mails_by_itself(site: Site, smtp: MailDrop) -> None:
    with guarding(site):
        gone = smtp.wait_for(1)[0].message
    assert gone["Subject"] == GONE
    assert "has not been heard since the guard began" in part(gone, "plain")


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
    refused = cabinetwatch(site.write(), "guard", "--after", "3m")
    assert refused.returncode == 2
    assert refused.stderr == (
        f"{site.path}: [notify.email] is missing; add that table, it says whom to mail and how\n"
        "`cabinetwatch manual people` tells more.\n"
    )
    with pytest.raises(ConfigError, match=r"a table \[notify.email\] is needed"):
        Guard(site.config(), 60.0)


def test_a_time_that_is_none_is_refused_in_a_sentence(site: Site) -> None:
    refused = cabinetwatch(site.write(), "guard", "--after", "soon")
    assert refused.returncode == 2
    assert refused.stderr.startswith("--after: 'soon' is no duration")
    assert refused.stderr.count("\n") == 1


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
    assert judge.heard(ONLINE, retained=False, now_s=9001) == Liveness("back", 8001)
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


def heartbeat(run: str, *, taken: bool = False) -> bytes:
    return json.dumps({"online": True, "run": run, "session_taken": taken}).encode()


def test_two_watches_that_are_heard_by_turns_are_told_once_and_the_end_of_it_once(
    judge: Judge,
) -> None:
    assert judge.heard(heartbeat("one"), retained=False, now_s=1000) is None
    assert judge.heard(heartbeat("two"), retained=False, now_s=1010) is None
    news = judge.heard(heartbeat("one"), retained=False, now_s=1030)
    assert news is not None
    assert news.kind == "shared"
    assert "Two watches publish under the same topics" in news.why
    for now_s in range(1040, 2000, 20):
        assert judge.heard(heartbeat("two"), retained=False, now_s=now_s) is None
        assert judge.heard(heartbeat("one"), retained=False, now_s=now_s + 10) is None
        assert judge.look(now_s + 15) is None
    for now_s in range(2000, 2570, 30):
        assert judge.heard(heartbeat("one"), retained=False, now_s=now_s) is None
        assert judge.look(now_s) is None
    assert judge.look(2591) == Liveness("alone", 2591 - 1030)
    assert judge.look(2592) is None


def test_restarts_are_no_second_watch(judge: Judge) -> None:
    for number in range(40):
        now_s = 1000 + 30 * number
        assert judge.heard(heartbeat(f"run {number // 3}"), retained=False, now_s=now_s) is None
        assert judge.look(now_s + 1) is None


def test_a_watch_whose_session_is_taken_is_told(judge: Judge) -> None:
    assert judge.heard(heartbeat("one"), retained=False, now_s=1000) is None
    news = judge.heard(heartbeat("one", taken=True), retained=False, now_s=1030)
    assert news is not None
    assert news.kind == "shared"
    assert "another client uses its client ID" in news.why
    assert judge.heard(heartbeat("one", taken=True), retained=False, now_s=1060) is None


@pytest.mark.parametrize(
    "payload",
    [b"", b"online", b"[]", b'{"online": 1}', b'{"online": "true"}', b"\xff", b"[" * 4000,
     b'{"online": true, "x": "' + b"x" * 5000 + b'"}'],
)  # fmt: skip
def test_a_payload_that_is_no_heartbeat_counts_for_nothing(payload: bytes, judge: Judge) -> None:
    assert read_heartbeat(payload) is None
    assert judge.heard(payload, retained=False, now_s=1170) is None
    assert judge.look(1180) is not None
