"""The cabinet's life on a clock that jumps on, with faults at random, and the reckoning.

Ten sensors of five devices publish at their interval; the watch is the real daemon in a process of
its own, whose clock jumps on once it has heard a round. Troubles come one after another.
"""

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import cycle

import psutil

from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Transition
from tests.service.day import START_MS, held_database, start_watch, wait_back
from tests.service.site import Site
from tests.service.watching import wait_until
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop

DEVICES = ["nas", "switch", "ups", "amplifier"]
_SENSOR = """
[sensors.{name}]
topic = "cabinet/{name}"
quantity = "{quantity}"
interval_s = {interval_s}
"""
_DEVICE = """
[devices.{name}]
temperature = "{name}-air"
ambient = "hall"
derating = [[58.0, 1.0], [75.0, 0.5]]
time_constant_s = 900.0
normal_rise_k = 17.0
"""
_FAN = 'fan = "nas-fan"\nmin_fan_rpm = 900.0\npower = "nas-power"\nnormal_power_w = 45.0\n'
_ALARMS = """
[alarms.over-derating]
on_delay_s = 0
off_delay_s = 0

[alarms.fan-slow]
on_delay_s = 0
off_delay_s = 0

[alarms.stuck]
enabled = false

[alarms.cooling-loss]
enabled = false

[alarms.derating-forecast]
enabled = false

[alarms.rise-missing]
enabled = false

[alarms.hot-day]
enabled = false

[alarms.drift]
enabled = false
"""
QUANTITIES = {
    "hall": "temperature",
    **{f"{name}-air": "temperature" for name in DEVICES},
    "nas-fan": "fan-speed",
    "nas-power": "power",
    "shelf": "temperature",
    "damp": "humidity",
    "round": "sound-level",
}
ORDINARY = {
    "hall": 21.0,
    "nas-air": 38.0,
    "switch-air": 38.0,
    "ups-air": 38.0,
    "amplifier-air": 38.0,
    "nas-fan": 1400.0,
    "nas-power": 45.0,
    "shelf": 27.0,
    "damp": 40.0,
}


@dataclass
class Reckoning:
    """What the soak found."""

    readings: int = 0
    missed: list[str] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)
    told_twice: list[str] = field(default_factory=list)
    unexpected: list[str] = field(default_factory=list)
    resident_mb: list[float] = field(default_factory=list)
    kept_bytes: int = 0
    kills: int = 0
    troubles: Counter[str] = field(default_factory=Counter)


class Soak:
    """Lets rounds pass, and trouble come."""

    def __init__(
        self,
        site: Site,
        cabinet: Wire,
        broker: Broker,
        smtp: MailDrop,
        *,
        interval_s: int,
        seed: int,
    ) -> None:
        self._site, self._cabinet, self._broker, self._smtp = site, cabinet, broker, smtp
        self._interval_s = interval_s
        self._random = random.Random(seed)
        self._round = 0
        self._values = dict(ORDINARY)
        # By turns: a sensor that dies again within a day comes and goes, and is held as standing.
        self._frail = cycle(("shelf", "damp"))
        self._expected: list[tuple[str, str, int]] = []
        self.found = Reckoning()
        site.tables = self._tables()
        site.flush_s = 60.0
        site.write()
        self._watch = start_watch(site, cabinet, START_MS)

    def live(self, rounds: int, troubles: Counter[str]) -> None:
        """Let so many rounds pass, with these troubles spread over them at random."""
        kinds = list(troubles.elements())
        self._random.shuffle(kinds)
        pause = max(1, rounds // (len(kinds) + 1))
        begun = self._round
        for number, kind in enumerate(kinds, 1):
            self._pass(max(0, begun + number * pause - self._round - self._random.randint(0, 5)))
            self.found.troubles[kind] += 1
            getattr(self, f"_{kind}")()
            self._note_memory()
        self._pass(max(0, begun + rounds - self._round))
        self._note_memory()

    def end(self) -> Reckoning:
        """Wait for the last mails, end the watch in good order, and reckon up."""
        self._pass_until_mailed()
        self._watch.stop()
        self._reckon()
        return self.found

    def close(self) -> None:
        """End the watch whatever has happened."""
        self._watch.kill()

    # -- life -----------------------------------------------------------------------------------

    def _pass(self, rounds: int) -> None:
        for _ in range(rounds):
            self._publish()
            self._watch.say(f"heard round {30 + self._round % 60}")
            self._skip()

    def _pass_until_mailed(self) -> None:
        """Let rounds pass until every mail is out: between two tries there are some minutes."""

        def mailed() -> bool:
            self._pass(1)
            return not _waiting(self._site)

        wait_until(mailed, "the outbox to be empty")

    def _skip(self) -> None:
        self._watch.say(f"skip {1000 * self._interval_s}")

    def _publish(self) -> None:
        self._round += 1
        near = self._random.gauss
        for name, value in self._values.items():
            self._cabinet.send(f"cabinet/{name}", f"{value * (1 + near(0.0, 0.002)):.2f}")
        # The last of each round; the watch says when it has heard it.
        self._cabinet.send("cabinet/round", str(30 + self._round % 60))

    def _note_memory(self) -> None:
        resident = psutil.Process(self._watch.pid).memory_info().rss
        self.found.resident_mb.append(resident / 1e6)

    # -- troubles -------------------------------------------------------------------------------

    def _heat(self, during: Callable[[], None] = lambda: None) -> None:
        """A device is over its threshold for five rounds."""
        name = self._random.choice(DEVICES)
        self._expect(name, "over-derating")
        self._values[f"{name}-air"] = 68.0
        self._pass(3)
        during()
        self._pass(2)
        self._values[f"{name}-air"] = ORDINARY[f"{name}-air"]
        self._pass(3)

    def _fan(self) -> None:
        """The fan stands for a while."""
        self._expect("nas", "fan-slow")
        self._values["nas-fan"] = 200.0
        self._pass(4)
        self._values["nas-fan"] = ORDINARY["nas-fan"]
        self._pass(3)

    def _dead_sensor(self) -> None:
        """A node dies and comes back."""
        name = next(self._frail)
        self._expect(name, "silent")
        value = self._values.pop(name)
        self._pass(9)
        self._values[name] = value
        # It is over once it was well for two silences: the next death is another alarm.
        self._pass(14)

    def _kill(self) -> None:
        """A power cut, and a start."""
        self._watch.say("")
        self._watch.kill()
        self.found.kills += 1
        self._watch = start_watch(self._site, self._cabinet, self._watch.utc_ms + 1000)
        self._skip()

    def _heat_and_kill(self) -> None:
        self._heat(self._kill)

    def _broker_restart(self) -> None:
        """The broker goes down and comes back with its memory."""
        heard = len(self._cabinet.messages)
        self._broker.restart()
        wait_back(self._cabinet, heard)
        self._skip()

    def _mail_outage(self) -> None:
        """The mail server is away while an alarm comes and goes."""
        self._smtp.stop()
        self._heat()
        self._smtp.start()
        self._pass(20)
        self._pass_until_mailed()

    def _stall(self) -> None:
        """Another program holds the database while an alarm comes and goes."""
        with held_database(self._site):
            self._heat()

    def _expect(self, subject: str, condition: str) -> None:
        self._expected.append((subject, condition, self._watch.utc_ms))

    # -- the watch, and what became of it -------------------------------------------------------

    def _tables(self) -> str:
        # The round begins anew: its leap must not wait for the next reading to confirm it.
        sensors = "".join(
            _SENSOR.format(name=name, quantity=quantity, interval_s=self._interval_s)
            + ("on_change = true\n" if name == "round" else "")
            for name, quantity in QUANTITIES.items()
        )
        devices = "".join(
            _DEVICE.format(name=name) + (_FAN if name == "nas" else "") for name in DEVICES
        )
        return sensors + devices + _ALARMS

    def _reckon(self) -> None:
        found = self.found
        with self._site.store() as store:
            found.readings = store.last_seq()
            transitions = store.transitions()
            self._reckon_alarms(transitions)
            self._reckon_mails(store, transitions)
        found.kept_bytes = sum(path.stat().st_size for path in self._site.folder.glob("watch.db*"))

    def _reckon_alarms(self, transitions: list[Transition]) -> None:
        """Each trouble has its raise within its time, and nothing else was raised."""
        raises = [each for each in transitions if each.is_raise]
        for subject, condition, utc_ms in self._expected:
            until = utc_ms + 1000 * (self._interval_s * 12 + 10)
            for each in raises:
                same = (each.subject, each.condition) == (subject, condition)
                if same and utc_ms - 1000 <= each.utc_ms <= until:
                    raises.remove(each)
                    break
            else:
                self.found.missed.append(f"{subject} {condition} at {utc_ms}")
        ours = {"notice-undelivered", "store-fault", "broker-lost"}
        self.found.unexpected += [
            f"{each.subject} {each.condition}: {each.text}"
            for each in raises
            if each.condition not in ours
        ]

    def _reckon_mails(self, store: Store, transitions: list[Transition]) -> None:
        """Every raise and return is in one mail; only a kill may have doubled one under its ID."""
        arrived = Counter(str(mail.message["Message-ID"]) for mail in self._smtp.messages)
        told: Counter[str] = Counter()
        for notice, _ in store.notices():
            if notice.channel == "email" and notice.message_id in arrived:
                told.update({_key(transition) for transition in notice.transitions})
                if notice.kind == "repeat":
                    told.subtract({_key(transition) for transition in notice.transitions})
        for each in transitions:
            if each.is_raise or each.is_return:
                if told[_key(each)] == 0:
                    self.found.untold.append(_key(each))
                elif told[_key(each)] > 1:
                    self.found.told_twice.append(_key(each))
        doubled = [mail for mail, times in arrived.items() if times > 1]
        if len(doubled) > self.found.kills:
            self.found.told_twice += doubled


def _key(transition: Transition) -> str:
    return f"{transition.id} {transition.condition} {transition.state} {transition.t}"


def _waiting(site: Site) -> bool:
    with site.store() as store:
        return any(notice.channel == "email" for notice, _ in store.waiting())
