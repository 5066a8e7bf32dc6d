"""A day of trouble in the cabinet, minute by minute on a clock that jumps on."""

import random
import socket
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from cabinetwatch.watch.events import AlarmState, EntryKind, Transition
from tests.service.site import Site
from tests.service.watching import wait_until
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.forked import Forked
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S

START_MS = 1_780_000_000_000
MINUTE_MS = 60_000

TABLES = """
[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"
interval_s = 60
high = 28.0

[sensors.{nas_air}]{renamed}
topic = "cabinet/nas/temperature"
quantity = "temperature"
interval_s = 60

[sensors.nas-power]
topic = "cabinet/nas/power"
quantity = "power"
interval_s = 60

[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"
interval_s = 60

[sensors.switch-air]
topic = "cabinet/switch/pack"
senml_name = "air"
quantity = "temperature"
interval_s = 60
high = {switch_high}

[sensors.round]
topic = "cabinet/round"
quantity = "sound-level"
interval_s = 60
# It counts rounds and begins anew: a leap must not wait for the next reading to confirm it.
on_change = true

[devices.nas]
name = "NAS"
temperature = "{nas_air}"
ambient = "hall"
power = "nas-power"
fan = "nas-fan"
derating = [[50.0, 1.0], [70.0, 0.5]]
rated_power_w = 80.0
max_rise_k = 25.0
min_fan_rpm = 900.0
time_constant_s = 600.0

[devices.switch]
name = "PoE switch"
temperature = "switch-air"
ambient = "hall"
max_rise_k = 20.0
"""


class DrivenWatch:
    """The daemon in a process of its own, on a clock that this test drives."""

    def __init__(self, config: Path, utc_ms: int) -> None:
        self.log_path = config.with_name("watch.log")
        ours, theirs = socket.socketpair()
        with ours, theirs, self.log_path.open("ab") as log:
            command = ["tests.service.driven", str(config), str(utc_ms)]
            self._process = Forked(command, theirs, theirs, log)
            self._talk = ours.makefile("rw")
        self.utc_ms = self._answer()

    @property
    def pid(self) -> int:
        """Its process."""
        return self._process.pid

    def say(self, line: str) -> None:
        """Tell it something and wait for its answer."""
        self._talk.write(line + "\n")
        self._talk.flush()
        self.utc_ms = self._answer()

    def stop(self) -> None:
        """End it in good order."""
        with self._talk:
            self._talk.write("stop\n")
        assert self._process.wait(WITHIN_S) == 0, self.log_path.read_text()[-3000:]

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.kill()
        self._process.wait(WITHIN_S)
        with suppress(BrokenPipeError):
            self._talk.close()

    def _answer(self) -> int:
        line = self._talk.readline()
        assert line, self.log_path.read_text()[-3000:]
        return int(line)


def start_watch(site: Site, cabinet: Wire, utc_ms: int) -> DrivenWatch:
    """Start it, and return once it is online."""
    heard = cabinet.mark()
    watch = DrivenWatch(site.path, utc_ms)
    cabinet.wait_online(after=heard)
    return watch


def wait_back(cabinet: Wire, heard: int) -> None:
    """Wait until the test's own client and the watch are both back at the broker."""

    def published() -> bool:
        try:
            cabinet.publish("cabinet/other", "1")
        except RuntimeError:
            return False
        return True

    wait_until(published, "the broker to be back")
    cabinet.wait_online(after=heard)


@contextmanager
def held_database(site: Site) -> Iterator[None]:
    """Another program that holds the database meanwhile."""
    path = site.folder / "watch.db"
    with closing(sqlite3.connect(path, timeout=WITHIN_S, isolation_level=None)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        yield
        holder.execute("ROLLBACK")


class Day:
    """Lets minutes pass in the cabinet, and trouble happen in them."""

    def __init__(
        self, site: Site, cabinet: Wire, broker: Broker, smtp: MailDrop, seed: int
    ) -> None:
        self._site = site
        self._cabinet = cabinet
        self._broker = broker
        self._smtp = smtp
        self._random = random.Random(seed)
        self.minutes = 0
        self._mark = 0
        self.dead: set[str] = set()
        self.hot = 0.0
        self._nas_air, self._renamed = "nas-air", ""
        self._utc_ms = START_MS
        self._configure(55.0)
        self._watch = start_watch(site, cabinet, self._utc_ms)

    def pass_minutes(self, count: int) -> None:
        """Let the nodes publish, be heard, and time pass, minute by minute."""
        for _ in range(count):
            self.minutes += 1
            self._publish_all()
            self._watch.say(f"heard round {self._mark}")
            self._skip()

    def heat(self, kelvin: float, minutes: int, *commands: str) -> None:
        """Let everything in the cabinet be warmer for a while, and a person act on it half way."""
        self.hot = kelvin
        self.pass_minutes(minutes // 2)
        for command in commands:
            self.act(command)
        self.pass_minutes(minutes - minutes // 2)
        self.hot = 0.0

    def lose(self, node: str, minutes: int) -> None:
        """Let a node be dead for a while."""
        self.dead.add(node)
        self.pass_minutes(minutes)
        self.dead.discard(node)

    def act(self, command: str) -> None:
        """Let a person do something to the oldest alarm that stands, or to the NAS."""
        if command.startswith("service"):
            self._ask({"command": command, "subject": "nas", "for_s": 1800.0})
            return
        wait_until(lambda: bool(self._fitting(command)), f"an alarm to {command}")
        alarm = self._fitting(command)[0]
        self._ask({"command": command, "id": alarm.id, "for_s": 900.0, "reason": "x"})

    def _fitting(self, command: str) -> list[Transition]:
        with self._site.store() as store:
            return [each for each in store.standing() if _can(command, each)]

    def lose_broker(self, minutes: int) -> None:
        """Stop the broker and start it again."""
        self._broker.stop()
        self._watch.say("away")
        for _ in range(minutes):
            self.minutes += 1
            self._skip()
        self._watch.say("raised broker-lost")
        heard = len(self._cabinet.messages)
        self._broker.start()
        wait_back(self._cabinet, heard)
        self._skip()

    def lose_mail(self, minutes: int) -> None:
        """Stop the mail server and start it again, with an alarm in between."""
        self._smtp.stop()
        self.heat(20.0, minutes // 2)
        wait_until(self._mail_is_failing, "the watch to lose its mail server")
        self.heat(20.0, minutes - minutes // 2)
        self._watch.say("raised notice-undelivered")
        self._smtp.start()

    def block_store(self, minutes: int) -> None:
        """Let another program hold the database for longer than a write may take."""
        with held_database(self._site):
            self.heat(20.0, minutes)
            self._watch.say("raised store-fault")

    def hang(self, minutes: int) -> None:
        """Stop the watch for a while; the broker keeps what the nodes send."""
        self._watch.say(f"hang {minutes * MINUTE_MS}")
        self.pass_minutes(1)

    def set_clock(self, seconds: int) -> None:
        """Set the wall clock."""
        self._watch.say(f"step {seconds * 1000}")

    def restart(
        self,
        *,
        kill: bool,
        away_minutes: int = 0,
        switch_high: float = 55.0,
        nas_air: str | None = None,
    ) -> None:
        """End the watch, in good order or not, and start it again, perhaps with other settings.

        `nas_air` is another ID for that sensor.

        The nodes go on meanwhile: what they publish waits at the broker.
        """
        self._watch.say("")
        end: Callable[[], None] = self._watch.kill if kill else self._watch.stop
        end()
        self._publish_all()
        self._utc_ms = self._watch.utc_ms + away_minutes * MINUTE_MS
        if nas_air is not None:
            self._renamed = f'\nrenamed_from = "{self._nas_air}"'
            self._nas_air = nas_air
        self._configure(switch_high)
        self._watch = start_watch(self._site, self._cabinet, self._utc_ms)
        self._watch.say("held")
        self._skip()

    def end(self) -> None:
        """End the watch in good order."""
        self._watch.stop()

    def close(self) -> None:
        """End the watch whatever has happened."""
        self._watch.kill()

    def _skip(self) -> None:
        self._watch.say(f"skip {MINUTE_MS - 1000}")

    def _mail_is_failing(self) -> bool:
        with self._site.store() as store:
            told = [entry.data for _, entry in store.entries() if entry.kind is EntryKind.DELIVERY]
        return bool(told) and not told[-1]["ok"]

    def _configure(self, switch_high: float) -> None:
        self._site.tables = TABLES.format(
            switch_high=switch_high, nas_air=self._nas_air, renamed=self._renamed
        )
        self._site.write()

    def _ask(self, command: dict[str, object]) -> None:
        with self._site.store() as store:
            row = store.put_command(command, 0)

        def answered() -> bool:
            with self._site.store() as reader:
                return reader.command_result(row) is not None

        wait_until(answered, f"an answer to {command}")

    def _publish_all(self) -> None:
        near = self._random.uniform
        values = {
            "house/hall/temperature": 22.0 + near(-0.5, 0.5) + self.hot / 2,
            "cabinet/nas/temperature": 38.0 + near(-1.0, 1.0) + self.hot,
            "cabinet/nas/power": 45.0 + near(-2.0, 2.0),
            "cabinet/nas/fan": 1400.0 + near(-50.0, 50.0) - self.hot * 30.0,
        }
        waits = [
            self._cabinet.send(topic, f"{value:.2f}")
            for topic, value in values.items()
            if topic not in self.dead
        ]
        if "cabinet/switch/pack" not in self.dead:
            # Nodes with clocks of their own: some readings come out of order, some too late.
            seconds = (self._watch.utc_ms - self._random.choice([0, 900, 2500, 6000, 9000])) / 1000
            pack = f'[{{"n":"air","u":"Cel","t":{seconds},"v":{40 + self.hot + near(-1, 1):.2f}}}]'
            waits.append(self._cabinet.send("cabinet/switch/pack", pack))
        # The last of each round, by which the watch tells that it has heard all.
        self._mark = 30 + self.minutes % 60
        waits.append(self._cabinet.send("cabinet/round", str(self._mark)))
        for wait in waits:
            wait()


def _can(command: str, alarm: Transition) -> bool:
    if command == "unshelve":
        return alarm.state is AlarmState.SHELVED
    return alarm.state is AlarmState.UNACKNOWLEDGED and alarm.condition != "silent"
