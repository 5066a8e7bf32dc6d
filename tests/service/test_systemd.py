"""What systemd is told on a real socket by the real daemon; progress alone feeds the watchdog."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinetwatch.service.parts import Notifier, Stall, Vital, Vitality
from tests.service.site import NAS, Site
from tests.service.variants import PLACES
from tests.service.watching import running, wait_until, watching
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.notify_socket import NotifySocket

WATCHDOG_S = 0.4
FED = "WATCHDOG=1"


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[NotifySocket]:
    """The socket of systemd, in the environment of every process started in the test."""
    with NotifySocket(tmp_path / "notify") as made:
        for name, value in made.environment(WATCHDOG_S).items():
            monkeypatch.setenv(name, value)
        yield made


def test_ready_is_said_once_the_parts_run_and_stopping_before_they_end(
    site: Site, cabinet: Wire, systemd: NotifySocket
) -> None:
    with running(site.write()) as watch:
        assert systemd.wait_for("") == "READY=1"
        systemd.wait_for(FED)
        cabinet.wait_online()
        systemd.wait_status("under-stairs cabinet: connected to the broker")
        watch.send(signal.SIGTERM)
        systemd.wait_for("STOPPING=1")
        assert watch.wait() == 0


def test_a_reload_is_announced_and_ended_by_ready(
    site: Site, cabinet: Wire, systemd: NotifySocket
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        heard = cabinet.mark()
        watch.send(signal.SIGHUP)
        line = systemd.wait_for("RELOADING=1")
        # sd_notify(3): with the time of CLOCK_MONOTONIC in microseconds.
        assert line.partition("MONOTONIC_USEC=")[2].isdecimal()
        systemd.wait_for("READY=1")
        cabinet.wait_online(after=heard)
        assert watch.stop() == 0


@pytest.mark.parametrize("part", PLACES)
def test_the_watchdog_is_fed_no_longer_when_a_part_hangs_and_again_when_it_goes_on(
    part: str, site: Site, cabinet: Wire, systemd: NotifySocket
) -> None:
    hang = site.folder / "hang"
    with running(site.write(), f"hangs-in-{part}", module="tests.service.variants") as watch:
        cabinet.wait_online()
        systemd.wait_for(FED)
        hang.touch()
        systemd.wait_status("NO PROGRESS", part)
        assert FED not in systemd.during(3 * WATCHDOG_S)
        watch.wait_log(f"{part} thread has made no progress")
        hang.unlink()
        systemd.wait_for(FED)
        watch.wait_log(f"{part} thread goes on again")
        assert watch.stop() == 0


def test_an_idle_watch_without_a_broker_and_with_a_mail_server_that_hangs_is_alive(
    site: Site, cabinet: Wire, systemd: NotifySocket, broker: Broker, smtp: MailDrop
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        smtp.hang("data")
        cabinet.publish(NAS, "55")
        wait_until(lambda: smtp.connections > 0, "the mail to be on its way")
        broker.stop()
        systemd.wait_status("no connection to the broker")
        for _ in range(5):
            systemd.wait_for(FED)
        assert not any("NO PROGRESS" in message for message in systemd.messages)
        assert watch.stop() == 0


def test_no_child_can_speak_for_the_service(systemd: NotifySocket) -> None:
    notifier = Notifier()
    assert {"NOTIFY_SOCKET", "WATCHDOG_USEC"}.isdisjoint(os.environ)
    notifier.ready()
    assert systemd.wait_for("") == "READY=1"


@pytest.mark.parametrize(
    ("variable", "value"),
    [("WATCHDOG_PID", "1"), *(("WATCHDOG_USEC", each) for each in ("", "0", "soon", "-5"))],
)
def test_a_watchdog_without_a_time_or_meant_for_another_process_is_none(
    variable: str, value: str, systemd: NotifySocket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(variable, value)
    assert Notifier().watchdog_s is None


def test_a_socket_that_nobody_listens_on_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    Notifier().ready()


def test_the_abstract_name_space_is_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    name = "@cabinetwatch-test-of-the-abstract-name-space"
    with NotifySocket(Path("\0" + name[1:])) as made:
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        Notifier().alive()
        assert made.wait_for("") == FED


def test_a_program_that_may_take_an_hour_does_not_count_as_standing_still(site: Site) -> None:
    site.tables += '[notify.command]\nargv = ["true"]\ntimeout_s = 3600.0\n'
    with watching(site.config()) as daemon:
        limits_s = {each.name: each.limit_s for each in daemon.vitals()}
    assert limits_s["command delivery"] > 3600.0 > limits_s["mqtt delivery"]


def test_a_part_stands_still_only_after_its_own_limit() -> None:
    signs = {"quick": 0, "slow": 0}
    vitality = Vitality(
        [Vital("quick", lambda: signs["quick"], 10), Vital("slow", lambda: signs["slow"], 600)], 0.0
    )
    assert vitality.stalls(10.0) == []
    assert vitality.stalls(10.5) == [Stall("quick", 10.5)]
    signs["quick"] += 1
    assert vitality.stalls(11.0) == []
    assert vitality.stalls(601.0) == [Stall("quick", 590.0), Stall("slow", 601.0)]
