"""A watch that is killed again and again in mid-flow, and the reckoning afterwards.

Numbered readings flow all the time and a load goes over its limit and back. Around some kills the
line to the broker holds acknowledgements back, around some the mail server refuses or is away.
"""

import random
import signal
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field

from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import Transition
from tests.faults.disk import let_write, refuse_writes
from tests.service.site import Site
from tests.service.watching import WatchProcess, wait_until
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.proxy import SlowLine

COUNTER = "cabinet/ups/counter"
LOAD = "cabinet/ups/load"
TABLES = """
[sensors.counter]
topic = "cabinet/ups/counter"
quantity = "power"
interval_s = 0.01
silent_after = 100000

[sensors.load]
topic = "cabinet/ups/load"
quantity = "power"
interval_s = 0.05
silent_after = 10000
high = 100.0

[alarms.high]
hold_h = 0
on_delay_s = 0
off_delay_s = 0
"""
_MUCH = 40
"""More than are on the wire at once: the rest has been taken."""

_KINDS = (
    "kill", "kill, slow line", "kill, mail refused", "kill, mail away", "stop", "reload",
    "watch frozen", "broker restarted", "broker frozen", "disk refuses", "database held",
    "mail refused", "mail away",
)  # fmt: skip
Trouble = str
"""What is wrong around a kill: "slow line", "mail refused", "mail away", or nothing of these."""


@dataclass
class Findings:
    """What the reckoning found wrong, and how much went right."""

    lost: list[int] = field(default_factory=list)
    stored_twice: list[int] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)
    told_twice: list[str] = field(default_factory=list)
    readings: int = 0
    transitions: int = 0
    backlog: int = 0

    @property
    def wrong(self) -> list[object]:
        """Everything that should not be."""
        return [*self.lost, *self.stored_twice, *self.untold, *self.told_twice]


class Feeder:
    """Publishes numbers, each higher than the last, and lets the load swing over its limit."""

    def __init__(self, cabinet: Wire, every_s: float, readings_a_swing: int) -> None:
        self.sent = 0
        self._readings_a_swing = readings_a_swing
        self._cabinet = cabinet
        self._every_s = every_s
        self._over = threading.Event()
        self._flowing = threading.Lock()
        self._words: list[Callable[[], None]] = []
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End, and wait until the broker has taken everything."""
        self._over.set()
        self._thread.join()
        self._wait_taken()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Send nothing, with everything taken: what we send again is no fault of the watch."""
        with self._flowing:
            self._wait_taken()
            yield

    def _wait_taken(self) -> None:
        for wait in self._words:
            wait()
        self._words.clear()

    def _feed(self) -> None:
        while not self._over.wait(self._every_s):
            with self._flowing:
                self._send_next()

    def _send_next(self) -> None:
        self._words.append(self._cabinet.send(COUNTER, str(self.sent)))
        self.sent += 1
        swing, place = divmod(self.sent, self._readings_a_swing)
        if place == 0:
            self._words.append(self._cabinet.send(LOAD, "150" if swing % 2 else "50"))


class Reckoning:
    """Holds what a store says against what has come by mail and over the wire."""

    def __init__(self, cabinet: Wire, smtp: MailDrop) -> None:
        self._cabinet = cabinet
        self._smtp = smtp
        self._confirmed: list[tuple[int, int, set[str], Counter[str]]] = []

    def note_confirmed(self, store: Store) -> None:
        """Note what was confirmed and committed at a kill: none of it may be told again."""
        mails, heard = len(self._smtp.messages), self._cabinet.mark()
        told = [
            (notice, outcome.status)
            for notice, outcome in store.notices()
            if outcome is not None and outcome.status in {"delivered", "merged"}
        ]
        by_mail = {notice.message_id for notice, _ in told if notice.channel == "email"}
        on_wire = Counter(
            _key(notice.transitions[0]) for notice, _ in told if notice.channel == "mqtt"
        )
        self._confirmed.append((mails, heard, by_mail, on_wire))

    def reckon(self, store: Store, sent: int) -> Findings:
        """Reckon up, with all told by now, after so many readings."""
        self._cabinet.mark()
        found = Findings()
        numbers = Counter(numbers_in(store))
        found.readings = len(numbers)
        found.backlog = sum(1 for each, _ in store.readings("counter") if each.quality)
        found.lost = sorted(set(range(sent)) - numbers.keys())
        found.stored_twice = [number for number, count in numbers.items() if count > 1]
        transitions = store.transitions()
        found.transitions = len(transitions)
        self._reckon_mails(store, transitions, found)
        self._reckon_wire(transitions, found)
        return found

    def _reckon_mails(
        self, store: Store, transitions: Sequence[Transition], found: Findings
    ) -> None:
        arrived = {str(mail.message["Message-ID"]) for mail in self._smtp.messages}
        tellers: dict[str, list[str]] = {}
        for notice, _ in store.notices():
            if notice.channel == "email" and notice.message_id in arrived:
                for transition in notice.transitions:
                    tellers.setdefault(_key(transition), []).append(notice.id)
        # An alarm without delays can come to the same state twice in one millisecond; a mail that
        # gathers several then tells it once.
        mailed = Counter(_key(each) for each in transitions if each.is_raise or each.is_return)
        for key, count in mailed.items():
            told_by = tellers.get(key, [])
            if not told_by:
                found.untold.append(f"mail: {key}")
            if len(told_by) > count:
                found.told_twice.append(f"mail: {key} by {told_by}")
        for mails, _, by_mail, _ in self._confirmed:
            for mail in self._smtp.messages[mails:]:
                if str(mail.message["Message-ID"]) in by_mail:
                    found.told_twice.append(f"mail again: {mail.message['Subject']}")

    def _reckon_wire(self, transitions: Sequence[Transition], found: Findings) -> None:
        raised = Counter(_key(each) for each in transitions)
        heard = Counter(_public_key(each) for each in self._cabinet.transitions())
        found.untold += [f"wire: {key}" for key in sorted(raised.keys() - heard.keys())]
        for _, after, _, on_wire in self._confirmed:
            for each in self._cabinet.transitions(after=after, copies=False):
                key = _public_key(each)
                # Twins of one millisecond and state look alike on the wire: only where all of them
                # were confirmed must none come again.
                if on_wire[key] and on_wire[key] == raised[key]:
                    found.told_twice.append(f"wire again: {key}{self._where_heard(key)}")

    def _where_heard(self, key: str) -> str:
        """Say which of all the messages told it, and whether they were the broker's own copies."""
        told = [
            f"{number}{' retained' if message.retain else ''}"
            for number, message in enumerate(self._cabinet.messages)
            if "/alarm/" in message.topic and _public_key(message.data) == key
        ]
        return f" in messages {', '.join(told)} of {len(self._cabinet.messages)}"


class KillTest:
    """Kills a watch and reckons up; `fault` names a broken variant of it."""

    def __init__(
        self,
        site: Site,
        cabinet: Wire,
        smtp: MailDrop,
        line: SlowLine,
        *,
        seed: int,
        fault: str = "",
        every_s: float = 0.004,
    ) -> None:
        self._site = site
        self._cabinet = cabinet
        self._smtp = smtp
        self._line = line
        self._random = random.Random(seed)
        self._fault = fault
        self._every_s = every_s
        self._starts = 0
        self._until: Callable[[KillTest], bool] | None = None
        self._feeder: Feeder | None = None
        self.stored_before = 0
        self._reckoning = Reckoning(cabinet, smtp)
        site.mqtt_port = line.port
        site.tables = TABLES
        self._path = site.write()

    def suffer(
        self,
        troubles: Sequence[Trouble],
        *,
        patience_s: float,
        until: Callable[["KillTest"], bool] | None = None,
        at_most: int = 0,
    ) -> Findings:
        """Kill the watch once with each trouble around, let the last one finish, and reckon up.

        `patience_s` is how long to wait at the end for something to change that is not yet right.
        With `until` a watch is killed, in place of at a random instant, once it is online and this
        holds of it. How much of what waited counts as backlog depends on how quickly a busy machine
        hands it on: with `at_most` the killing goes on, up to so many in all, until some did.
        """
        self._until = until
        self._clean_first_start()
        feeder = self._feeder = self._fed()
        for trouble in troubles:
            self._kill_once(trouble)
        for _ in range(at_most - len(troubles)):
            if self._has_backlog():
                break
            self._kill_once("")
        self._smtp.behave()
        process, _ = self._start()
        self._cabinet.wait_online(after=self._heard)
        return self._end(process, feeder, patience_s)

    def endure(self, broker: Broker, seconds: float, *, patience_s: float) -> tuple[Findings, str]:
        """Let broker, mail, disk and process fail at random for so long, then reckon up.

        Returns the findings, and how often each thing happened.
        """
        self._clean_first_start()
        feeder = self._feeder = self._fed()
        process, _ = self._start()
        happened: Counter[str] = Counter()
        until = time.monotonic() + seconds
        try:
            while time.monotonic() < until:
                self._cabinet.wait_online(after=self._heard)
                time.sleep(self._random.uniform(0.5, 6.0))
                kind = self._random.choice(_KINDS)
                happened[kind] += 1
                process = self._befall(kind, process, broker, feeder)
                assert process.running, process.log[-3000:]
        except BaseException:
            process.kill()
            raise
        self._cabinet.wait_online(after=self._heard)
        return self._end(process, feeder, patience_s), str(dict(happened))

    def _befall(
        self, kind: str, process: WatchProcess, broker: Broker, feeder: Feeder
    ) -> WatchProcess:
        """Let one thing happen and pass; give the process that watches afterwards."""
        lasts_s = self._random.uniform(0.5, 8.0)
        if kind == "broker restarted":
            with feeder.paused():
                self._heard = len(self._cabinet.messages)
                broker.stop()
                time.sleep(lasts_s)
                broker.start()
                self._cabinet.wait_online(after=self._heard)
        elif kind == "broker frozen":
            broker.freeze()
            time.sleep(lasts_s)
            broker.thaw()
        elif kind == "disk refuses":
            refuse_writes(process)
            time.sleep(lasts_s)
            let_write(process)
            self._wait_stored_more()
        elif kind == "database held":
            holder = sqlite3.connect(self._site.folder / "watch.db", timeout=60)
            with closing(holder):
                holder.execute("BEGIN IMMEDIATE")
                time.sleep(lasts_s)
                holder.rollback()
        elif kind.startswith("mail"):
            self._spoil_mail(kind)
            time.sleep(lasts_s)
            self._mend_mail(kind)
        elif kind == "reload":
            process.send(signal.SIGHUP)
        elif kind == "watch frozen":
            process.send(signal.SIGSTOP)
            time.sleep(lasts_s)
            process.send(signal.SIGCONT)
        else:
            return self._restart(kind, process)
        return process

    def _restart(self, kind: str, process: WatchProcess) -> WatchProcess:
        """End the process in good order, or kill it with other trouble around; start another."""
        self._spoil_mail(kind)
        if "slow line" in kind:
            self._line.stall()
            time.sleep(self._random.uniform(0.1, 0.6))
        if kind == "stop":
            assert process.stop() == 0, process.log[-3000:]
        else:
            process.kill()
        self._line.flow()
        self._cabinet.mark()
        self._note_confirmed()
        self._mend_mail(kind)
        return self._start()[0]

    def _spoil_mail(self, trouble: Trouble) -> None:
        if "mail refused" in trouble:
            self._smtp.refuse("451 4.3.0 try later")
        if "mail away" in trouble:
            self._smtp.stop()

    def _mend_mail(self, trouble: Trouble) -> None:
        self._smtp.behave()
        if "mail away" in trouble:
            self._smtp.start()

    def _end(self, process: WatchProcess, feeder: Feeder, patience_s: float) -> Findings:
        try:
            feeder.stop()
            self._wait_settled(feeder.sent, patience_s)
            assert process.stop() == 0, process.log[-3000:]
        finally:
            if process.running:
                process.kill()
        assert "Traceback" not in process.log, process.log
        with self._site.store() as store:
            return self._reckoning.reckon(store, feeder.sent)

    def _fed(self) -> Feeder:
        """The load swings five times a second, however many readings are sent."""
        return Feeder(self._cabinet, self._every_s, round(0.2 / self._every_s))

    def _clean_first_start(self) -> None:
        """Let the broker know the session: before, it keeps nothing for us."""
        process, _ = self._start()
        self._cabinet.wait_online()
        assert process.stop() == 0, process.log

    def _start(self) -> tuple[WatchProcess, int]:
        self._starts += 1
        self._heard = len(self._cabinet.messages)
        if self._fault:
            return WatchProcess(
                self._path, self._fault, module="tests.service.variants"
            ), self._heard
        return WatchProcess(self._path), self._heard

    def _kill_once(self, trouble: Trouble) -> None:
        self._spoil_mail(trouble)
        process, heard = self._start()
        if self._until is not None:
            self._cabinet.wait_online(after=heard)
            self._wait_stored_more()
        elif self._random.random() < 0.75:
            self._cabinet.wait_online(after=heard)
            time.sleep(self._random.uniform(0.0, 0.8))
        else:
            time.sleep(self._random.uniform(0.3, 2.0))
        if "slow line" in trouble:
            self._line.stall()
            if self._until is None:
                time.sleep(self._random.uniform(0.1, 0.6))
        if self._until is not None:
            wait_until(lambda: self._until is None or self._until(self), "the instant to kill at")
        process.kill()
        # The line has lost what it held: the broker must notice before it flows again.
        self._cabinet.mark()
        self._line.flow()
        self._note_confirmed()
        self._mend_mail(trouble)

    def stored(self) -> int:
        """How many readings are in the store."""
        with self._site.store() as store:
            return len(numbers_in(store))

    def _has_backlog(self) -> bool:
        with self._site.store() as store:
            return any(reading.quality for reading, _ in store.readings("counter"))

    def has_much_unwritten(self) -> bool:
        """Whether many readings are on their way, or taken, and not in the store."""
        return self._feeder is not None and self._feeder.sent - self.stored() > _MUCH

    def has_refused_mail(self) -> bool:
        """Whether a mail waits that was refused."""
        with self._site.store() as store:
            return any(
                notice.channel == "email" and outcome is not None and outcome.attempts > 0
                for notice, outcome in store.waiting()
            )

    def _wait_stored_more(self) -> None:
        """Wait until the watch has written something since now."""
        self.stored_before = self.stored()
        wait_until(lambda: self.stored() > self.stored_before, "readings to be written")
        self.stored_before = self.stored()

    def _note_confirmed(self) -> None:
        try:
            with self._site.store() as store:
                self._reckoning.note_confirmed(store)
        except StoreError:
            return

    def _wait_settled(self, sent: int, patience_s: float) -> None:
        """Wait until all is stored and told, or nothing has changed for so long."""
        seen: list[object] = [None, time.monotonic()]

        def settled() -> bool:
            with self._site.store() as store:
                stored, waiting = numbers_in(store), len(store.waiting())
            if [len(stored), waiting] != seen[0]:
                seen[:] = [[len(stored), waiting], time.monotonic()]
            if len(set(stored)) == sent and not waiting:
                return True
            return time.monotonic() - float(str(seen[1])) > patience_s

        wait_until(settled, "the watch to catch up")


def numbers_in(store: Store) -> list[int]:
    """Give the numbers of the readings in a store."""
    return [round(reading.value) for reading, _ in store.readings("counter")]


def _key(transition: Transition) -> str:
    return _public_key(transition.public())


def _public_key(transition: dict[str, object]) -> str:
    return f"{transition['id']} {transition['state']} {transition['time']}"
