"""The installed watch on a computer of its own with a booted systemd, counted from outside.

Broker and mail server stand outside the machine. Readings are numbered and published at QoS 1;
`Reckoning` holds what the machine's disk says against what has come by mail and over the wire.
"""

import random
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from tests.deploy.machine import HOST, Machine, build_image
from tests.service.kills import COUNTER, TABLES, Feeder, Findings, Reckoning, numbers_in
from tests.service.mails import part
from tests.service.wire import Message, Wire, wire
from tests.support.broker import Broker
from tests.support.certificates import Certificate, make_certificate
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port

pytestmark = [pytest.mark.long, pytest.mark.timeout(2 * 3600)]

SEED = 2026
CUTS = 20
EVERY_S = 0.1
READINGS_A_SWING = 50
PATIENCE_S = 3 * WITHIN_S
"""System calls of the machine take a hundred times as long as those of a real one."""
STATE = "/var/lib/cabinetwatch"
PASSWORDS = {"watch": "hot-air-rises", "house": "under-the-stairs"}
MAIL_LOGIN = ("watch@under-stairs.example", "cool-air-sinks")
CONFIG = """
[site]
name = "under-stairs cabinet"
timezone = "Etc/UTC"

[mqtt]
host = "{host}"
port = {mqtt_port}
username = "watch"

[store]
url = "sqlite:////var/lib/cabinetwatch/cabinetwatch.db"
flush_s = 1

[page]
directory = "/run/cabinetwatch/page"

[notify.email]
host = "mail.under-stairs.example"
port = {mail_port}
security = "starttls"
ca_file = "/etc/cabinetwatch/ca.pem"
username = "watch@under-stairs.example"
from = "watch@under-stairs.example"
to = ["owner@under-stairs.example"]
priorities = ["high", "medium", "low"]

[summary]
"""
GROUPS = "/sys/fs/cgroup/system.slice"
GREEDY = """#!/bin/sh
# Each tail is small enough for itself; together they are too much for the unit.
for each in 1 2 3 4; do
    head -c 150M /dev/zero | tail -c 150M | (sleep 60; cat >/dev/null) &
done
wait
"""
COPY_STORE = (
    'python3 -I -c "import sqlite3, sys;'
    f" sqlite3.connect('{STATE}/cabinetwatch.db').backup(sqlite3.connect(sys.argv[1]))\""
    " /run/copy.db && cat /run/copy.db && rm /run/copy.db"
)
LOOK_AT_PAGE = (
    'python3 -I -c "import urllib.request as asked;'
    " print(asked.urlopen('http://127.0.0.1:8080/').read().decode())\""
)
INSTALL = "cd /src && PIP_NO_INDEX=1 PIP_FIND_LINKS=/wheels sh deploy/install.sh"


@dataclass(frozen=True)
class Installed:
    """A disk with the watch installed, and what its configuration names."""

    disk: Path
    mqtt_port: int
    mail_port: int
    certificate: Certificate


@pytest.fixture(scope="module")
def installed() -> Iterator[Installed]:
    """Make the disk once: it takes some minutes and 3 GB."""
    folder = Path(tempfile.mkdtemp(prefix="booted-"))
    try:
        yield make_installed(folder)
    finally:
        shutil.rmtree(folder)


def make_installed(folder: Path) -> Installed:
    """Install the watch in a machine, as README says, and see it online."""
    certificate = make_certificate(
        folder / "certificate", host="mail.under-stairs.example", address=HOST, valid_days=400
    )
    bare = Installed(build_image(folder), free_port(), free_port(), certificate)
    with serving(bare, folder / "first") as ordeal, house(ordeal) as cabinet:
        install(ordeal, cabinet, CONFIG.format(host=HOST, **vars(bare)) + TABLES)
        ordeal.machine.power_off()
        shutil.move(ordeal.machine.take_disk(), bare.disk)
    return bare


def install(ordeal: "Ordeal", cabinet: Wire, config: str) -> None:
    """Follow README: install.sh, the configuration, the passwords, a check, and the start."""
    machine = ordeal.machine
    ordeal.cabinet = cabinet
    began = time.monotonic()
    machine.boot()
    booted = time.monotonic()
    machine.run(INSTALL)
    took = f"booted in {booted - began:.0f} s, installed in {time.monotonic() - booted:.0f} s"
    # As an editor does, which leaves owner and mode as install.sh has made them.
    machine.run("cat >/etc/cabinetwatch/config.toml", config.encode())
    machine.write("/etc/cabinetwatch/ca.pem", ordeal.certificate.ca_file.read_bytes())
    by_hand = ""
    for name, password in (("mqtt", PASSWORDS["watch"]), ("email", MAIL_LOGIN[1])):
        machine.write(f"/etc/credstore/cabinetwatch.{name}-password", password, mode="0600")
        by_hand += f"CABINETWATCH_{name.upper()}_PASSWORD={password} "
    print(took, machine.run(by_hand + "cabinetwatch check --send").text, sep="\n", flush=True)
    assert len(ordeal.smtp.messages) == 1
    heard = len(cabinet.messages)
    machine.run("systemctl enable --now cabinetwatch")
    ordeal.wait_online(heard)


class Ordeal:
    """The machine, the servers outside of it, and the numbered readings."""

    def __init__(self, installed: Installed, folder: Path) -> None:
        self.folder = folder
        self.certificate = installed.certificate
        self.machine = Machine(installed.disk, folder / "machine", SEED)
        self.broker = Broker(
            folder / "broker",
            config_lines=["max_queued_messages 0", f"listener {installed.mqtt_port} {HOST}"],
            passwords=PASSWORDS,
        )
        self.broker.port = installed.mqtt_port
        self.smtp = MailDrop(
            security="starttls", certificate=installed.certificate, login=MAIL_LOGIN
        )
        self.smtp.host, self.smtp.port = HOST, installed.mail_port
        self._feeder: Feeder | None = None

    def begin(self, cabinet: Wire, clock: str = "") -> None:
        """Boot for the first time, and let readings flow once the broker knows the session."""
        self.cabinet = cabinet
        self.reckoning = Reckoning(cabinet, self.smtp)
        self.boot(clock)
        self._feeder = Feeder(cabinet, EVERY_S, READINGS_A_SWING)

    def boot(self, clock: str = "") -> None:
        """Switch on and wait until the watch is online."""
        heard = len(self.cabinet.messages)
        self.machine.boot(clock)
        self.wait_online(heard)

    def wait_online(self, heard: int) -> None:
        """Wait until the watch says, after so many messages, that it is online."""
        self.wait_message(heard, "online", lambda each: is_watch(each, online=True))

    def wait_message(
        self, heard: int, what: str, wanted: object, within_s: float = PATIENCE_S
    ) -> Message:
        """Wait for a message, among those from number `heard` on."""
        assert callable(wanted)
        until = time.monotonic() + within_s
        while True:
            for each in self.cabinet.messages[heard:]:
                if wanted(each):
                    return each
            if time.monotonic() > until:
                raise TimeoutError(f"waited for {what}\n{self.machine.journal()[-4000:]}")
            time.sleep(0.05)

    def wait_alarm(self, heard: int, condition: str, state: str) -> Message:
        """Wait until an alarm of a condition is told to be in a state."""
        return self.wait_message(
            heard,
            f"{condition} {state}",
            lambda each: each.topic.endswith(f"/{condition}") and each.data.get("state") == state,
        )

    def wait_subject(self, words: str, after: int = 0) -> str:
        """Wait for a mail with these words in its subject or its text; give its text."""
        until = time.monotonic() + PATIENCE_S
        while True:
            for mail in self.smtp.messages[after:]:
                text = f"{mail.message['Subject']} {part(mail.message, 'plain')}"
                if words in text:
                    return text
            if time.monotonic() > until:
                subjects = [mail.message["Subject"] for mail in self.smtp.messages[after:]]
                raise TimeoutError(
                    f"waited for {words!r}: {subjects}\n{self.machine.journal()[-4000:]}"
                )
            time.sleep(0.1)

    def cut(self) -> int:
        """Cut the power, note what was confirmed by then; give how many blocks the disk lost."""
        lost = self.machine.cut()
        with tempfile.TemporaryDirectory(dir=self.folder) as scratch:
            state = self.machine.read_folder(STATE, Path(scratch) / "state")
            try:
                with open_store(state / "cabinetwatch.db") as store:
                    self.reckoning.note_confirmed(store)
            except StoreError as error:
                raise AssertionError(f"the cut has damaged the store: {error}") from error
        return lost

    def end(self) -> Findings:
        """Let all be stored and told, shut down in good order, and reckon up."""
        assert self._feeder is not None
        self._feeder.stop()
        sent = self._feeder.sent
        until = time.monotonic() + PATIENCE_S
        while not self._settled(sent) and time.monotonic() < until:
            time.sleep(1.0)
        self.machine.power_off()
        state = self.machine.read_folder(STATE, self.folder / "at-the-end")
        with open_store(state / "cabinetwatch.db") as store:
            found = self.reckoning.reckon(store, sent)
        print(f"sent {sent}, {len(self.smtp.messages)} mails, {found}")
        return found

    def _settled(self, sent: int) -> bool:
        copy = self.folder / "live.db"
        copy.write_bytes(self.machine.run(COPY_STORE).output)
        with open_store(copy) as store:
            return len(set(numbers_in(store))) == sent and not store.waiting()

    def close(self) -> None:
        """End everything."""
        self.machine.close()
        self.smtp.stop()
        self.broker.stop()


def open_store(path: Path) -> Store:
    """Open a store that was copied."""
    return Store.open(f"sqlite:///{path}", read_only=True)


def is_watch(message: Message, *, online: bool) -> bool:
    """Whether a message says that the watch is online, or not."""
    return message.topic == "cabinetwatch/watch" and message.data.get("online") is online


@contextmanager
def serving(installed: Installed, folder: Path) -> Iterator[Ordeal]:
    """Give a computer that is off, with its servers running, and its disk deleted at the end."""
    made = Ordeal(installed, folder)
    try:
        made.broker.start()
        made.smtp.start()
        yield made
    finally:
        made.close()


@contextmanager
def house(ordeal: Ordeal) -> Iterator[Wire]:
    """Give the house's client of the broker."""
    port = ordeal.broker.port
    with wire(port, "house", session="reckoner", password=PASSWORDS["house"]) as made:
        yield made


@pytest.fixture
def ordeal(installed: Installed, tmp_path: Path) -> Iterator[Ordeal]:
    """A computer with the watch installed, off."""
    with serving(installed, tmp_path) as made:
        yield made


@pytest.fixture
def cabinet(ordeal: Ordeal) -> Iterator[Wire]:
    """The house's client of the broker."""
    with house(ordeal) as made:
        yield made


def test_a_watch_installed_as_readme_says_stores_and_tells_everything(
    ordeal: Ordeal, cabinet: Wire
) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    heard = len(cabinet.messages)
    for _ in range(5):
        ordeal.wait_alarm(heard, "high", "unacknowledged")
        heard = len(cabinet.messages)
    for path, mode in (
        ("/etc/cabinetwatch/config.toml", "640 root cabinetwatch"),
        ("/etc/credstore/cabinetwatch.mqtt-password", "600 root root"),
        (f"{STATE}/cabinetwatch.db", "600 cabinetwatch cabinetwatch"),
    ):
        assert machine.run(f"stat -c '%a %U %G' {path}").text.strip() == mode
    assert machine.run("systemctl --failed --no-legend").text.strip() == ""
    found = ordeal.end()

    assert found.wrong == [], found
    assert found.transitions >= 9


def test_power_cuts_lose_and_double_nothing(ordeal: Ordeal, cabinet: Wire) -> None:
    chance = random.Random(SEED)
    ordeal.begin(cabinet)
    lost = [suffer_cut(ordeal, cabinet, chance, number) for number in range(CUTS)]
    found = ordeal.end()
    print(f"blocks that the disk lost at each cut: {lost}")

    assert found.wrong == [], found
    assert sum(lost) > 0
    assert found.transitions > CUTS


def suffer_cut(ordeal: Ordeal, cabinet: Wire, chance: random.Random, number: int) -> int:
    """Cut the power of a running machine, and boot it; by turns under load and around an alarm.

    Every fourth time it is cut again while it boots.
    """
    if number % 2:
        heard = len(cabinet.messages)
        ordeal.wait_message(heard, "an alarm", lambda each: "/alarm/load/" in each.topic)
        time.sleep(chance.uniform(0.0, 0.5))
    else:
        time.sleep(chance.uniform(0.0, 15.0))
    lost = ordeal.cut()
    if number % 4 == 3:
        ordeal.machine.boot()
        time.sleep(chance.uniform(0.0, 10.0))
        lost += ordeal.cut()
    ordeal.boot()
    print(f"cut {number}: {lost} blocks lost", flush=True)
    return lost


def test_a_watch_that_is_killed_or_hangs_is_mailed_and_started_again(
    ordeal: Ordeal, cabinet: Wire
) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    for signal, result in (("KILL", "signal"), ("STOP", "watchdog")):
        # At most one mail an hour, so the hour is over now.
        machine.run("rm -f /run/cabinetwatch-failed/told")
        heard, mails = len(cabinet.messages), len(ordeal.smtp.messages)
        began = time.monotonic()
        machine.run(f"systemctl kill --kill-who=main --signal={signal} cabinetwatch")
        ordeal.wait_message(heard, "offline", lambda each: is_watch(each, online=False))
        gone = time.monotonic()
        ordeal.wait_subject("cabinetwatch.service", mails)
        told = time.monotonic()
        ordeal.wait_online(heard)
        after = [f"{each - began:.0f} s" for each in (gone, told, time.monotonic())]
        print(f"SIG{signal}: offline, mailed, online after {', '.join(after)}", flush=True)
        assert f"Failed with result '{result}'" in machine.journal()
    restarts = machine.run("systemctl show --property=NRestarts --value cabinetwatch").text
    assert restarts.strip() == "2"

    assert ordeal.end().wrong == []


def test_a_full_disk_silences_no_alarm_and_loses_nothing(ordeal: Ordeal, cabinet: Wire) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    heard = len(cabinet.messages)
    machine.run(
        "for size in 512M 64M 8M 1M 64K 4K; do number=0; while fallocate -l $size"
        " /ballast-$size-$number 2>/dev/null; do number=$((number + 1)); done;"
        " rm -f /ballast-$size-$number; done"
    )
    ordeal.wait_alarm(heard, "store-fault", "unacknowledged")
    ordeal.wait_subject("keep its records")
    full, mails = len(cabinet.messages), len(ordeal.smtp.messages)
    ordeal.wait_alarm(full, "high", "unacknowledged")
    ordeal.wait_subject("load", mails)
    machine.until("test -s /run/cabinetwatch/pictures/fontlist-*", "pictures", PATIENCE_S)
    assert "can't be written there" not in machine.journal()
    machine.run("rm -f /ballast-*")
    ordeal.wait_alarm(full, "store-fault", "returned")
    free = len(cabinet.messages)
    ordeal.wait_alarm(free, "high", "unacknowledged")
    assert "Failed with result" not in machine.journal()

    assert ordeal.end().wrong == []


def test_a_computer_that_wakes_in_1970_goes_on_from_what_it_knows(
    ordeal: Ordeal, cabinet: Wire
) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    time.sleep(5.0)
    machine.power_off()
    ordeal.boot("1970-01-02T00:00:00")
    clock = machine.run("date -u +%s").text
    heard = len(cabinet.messages)
    ordeal.wait_alarm(heard, "high", "unacknowledged")
    machine.run(f"date -u -s @{int(time.time())}")
    ordeal.wait_message(
        heard, "the step to be told", lambda each: each.topic.endswith("clock-step")
    )
    found = ordeal.end()
    print(f"its clock was at {clock}")

    assert found.wrong == []
    with open_store(ordeal.folder / "at-the-end" / "cabinetwatch" / "cabinetwatch.db") as store:
        times = [reading.t for reading, _ in store.readings("counter")]
    assert times == sorted(times)


def test_the_weekly_mail_comes_at_its_hour(ordeal: Ordeal, cabinet: Wire) -> None:
    ordeal.cabinet = cabinet
    today = datetime.now(UTC).date()
    monday = today + timedelta(days=14 - today.weekday())
    ordeal.boot(f"{monday - timedelta(days=1)}T20:00:00")
    for number in range(100):
        cabinet.send(COUNTER, str(number))()
    ordeal.machine.power_off()
    # For ten minutes after its start it mails none, in case the clock is wrong.
    ordeal.boot(f"{monday}T06:48:00")
    words = f"week {(monday - timedelta(days=1)).isocalendar().week}"
    until = time.monotonic() + 1200.0
    while not (mails := of_week(ordeal.smtp, words)) and time.monotonic() < until:
        time.sleep(1.0)
    came = ordeal.machine.run("date -u +%FT%H:%M:%S").text.strip()
    print(f"came at {came}: {mails}")

    assert f"{monday}T07:00:00" <= came <= f"{monday}T07:02:00"
    time.sleep(90.0)
    assert len(of_week(ordeal.smtp, words)) == 1


def of_week(smtp: MailDrop, words: str) -> Sequence[str]:
    """Give the subjects of the weekly summaries of a week that have come."""
    subjects = [str(mail.message["Subject"]) for mail in smtp.messages]
    return [each for each in subjects if "[Weekly summary]" in each and each.endswith(words)]


def test_the_page_outlives_a_reboot_an_upgrade_and_the_watch(ordeal: Ordeal, cabinet: Wire) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    show = "systemctl show --value --property={} cabinetwatch-page"
    assert machine.run(show.format("ActiveState")).text.strip() == "inactive"
    machine.run("systemctl enable --now cabinetwatch-page")
    machine.run(f"{LOOK_AT_PAGE} | grep -q 'under-stairs cabinet'")
    machine.power_off()
    ordeal.boot()
    machine.until(f"{LOOK_AT_PAGE} | grep -q 'under-stairs cabinet'", "the page", PATIENCE_S)

    process, heard = machine.run(show.format("MainPID")).text, len(cabinet.messages)
    machine.run(INSTALL)
    ordeal.wait_online(heard)
    assert machine.run(show.format("MainPID")).text != process
    machine.run("systemctl stop cabinetwatch")
    says_so = f"{LOOK_AT_PAGE} | grep -q 'The watch is not running'"
    machine.until(says_so, "the page to say that the watch is down", PATIENCE_S)
    machine.run("systemctl start cabinetwatch")
    assert ordeal.end().wrong == []


def test_an_upgrade_cut_short_leaves_the_version_before(ordeal: Ordeal, cabinet: Wire) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    before = machine.run("readlink /opt/cabinetwatch/env").text
    machine.begin(INSTALL)
    packages = "/opt/cabinetwatch/env-*/lib/*/site-packages/sqlalchemy"
    # Pip takes minutes of a machine that is busy.
    machine.until(f"test $(ls -d {packages} | wc -l) = 2", "packages", 5 * PATIENCE_S)
    time.sleep(random.Random(SEED).uniform(0.0, 20.0))
    lost = ordeal.cut()
    ordeal.boot()
    print(f"{lost} blocks lost")
    assert machine.run("readlink /opt/cabinetwatch/env").text == before
    installed = f"{before.strip()}/lib/python3.11/site-packages/cabinetwatch"
    machine.run(f"diff -r --exclude=__pycache__ /src/cabinetwatch {installed}")

    heard = len(cabinet.messages)
    machine.run(INSTALL)
    ordeal.wait_online(heard)
    assert machine.run("ls -d /opt/cabinetwatch/env-* | wc -l").text.strip() == "2"
    assert ordeal.end().wrong == []


def test_uninstall_leaves_configuration_and_data_alone(ordeal: Ordeal, cabinet: Wire) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    removed = machine.run("sh /src/deploy/uninstall.sh").text
    assert "cleared cabinetwatch/watch" in removed
    with wire(ordeal.broker.port, "house", session="later", password=PASSWORDS["house"]) as later:
        later.mark()
        assert [each.topic for each in later.messages if each.retain] == []
    # With nothing to list it says so by its status.
    units = machine.run("systemctl list-unit-files 'cabinetwatch*' --no-legend", check=False).text
    assert units.strip() == ""
    machine.run(f"test ! -e /opt/cabinetwatch -a -s {STATE}/cabinetwatch.db")
    machine.run(
        "test -s /etc/cabinetwatch/config.toml -a -s /etc/credstore/cabinetwatch.mqtt-password"
    )
    machine.power_off()
    machine.boot()
    assert machine.run("systemctl --failed --no-legend").text.strip() == ""


def test_memory_limits_end_a_greedy_program_and_leave_the_watch_alone(
    ordeal: Ordeal, cabinet: Wire
) -> None:
    machine = ordeal.machine
    ordeal.begin(cabinet)
    machine.write("/usr/local/bin/greedy", GREEDY, "0755")
    table = '\n[notify.command]\nargv = ["/usr/local/bin/greedy"]\ntimeout_s = 120\n'
    machine.run("cat >>/etc/cabinetwatch/config.toml", f'{table}priorities = ["medium"]\n'.encode())
    heard = len(cabinet.messages)
    machine.run("systemctl restart cabinetwatch")
    ordeal.wait_online(heard)
    show = "systemctl show --value --property={} cabinetwatch"
    process = machine.run(show.format("MainPID")).text
    ended = f"grep -q '^oom_kill [1-9]' {GROUPS}/cabinetwatch.service/memory.events"
    machine.until(ended, "the greedy program to be ended", PATIENCE_S)
    heard, mails = len(cabinet.messages), len(ordeal.smtp.messages)
    ordeal.wait_alarm(heard, "high", "unacknowledged")
    ordeal.wait_subject("load", mails)
    assert machine.run(show.format("MainPID")).text == process
    assert machine.run(show.format("NRestarts")).text.strip() == "0"

    machine.run("systemctl start cabinetwatch-guard cabinetwatch-page")
    machine.run(f"{LOOK_AT_PAGE} >/dev/null")
    time.sleep(30.0)
    machine.run("rm -rf /run/cabinetwatch-failed/told")
    failed = machine.begin("systemctl start cabinetwatch-failed")
    ordeal.wait_subject("cabinetwatch.service", mails)
    machine.wait(failed, "the mailer")
    print(machine.run(f"cd {GROUPS} && grep . cabinetwatch*/memory.[ep]*").text)
    for unit, limit_mb in (
        ("cabinetwatch", 512), ("cabinetwatch-guard", 192), ("cabinetwatch-page", 384)
    ):  # fmt: skip
        place = f"{GROUPS}/{unit}.service"
        assert int(machine.run(f"cat {place}/memory.max").text) == limit_mb << 20
        # The kernel lets a few pages more pass while it ends somebody.
        assert int(machine.run(f"cat {place}/memory.peak").text) < (limit_mb + 1) << 20
