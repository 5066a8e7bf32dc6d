"""A pretended outbox and pretended channels, to drive deliveries through pretended time."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from cabinetwatch.config import Config
from cabinetwatch.notify.delivery import Attempt, Delivery, Fault, Refusal
from cabinetwatch.notify.people import Told
from cabinetwatch.notify.plan import Present, last_told, plan
from cabinetwatch.store.records import Channel, Notice, Outcome
from cabinetwatch.watch.events import AlarmState, Priority, Transition
from tests.notify.samples import NOON_MS, make_config, transition


class Killed(BaseException):
    """The daemon dies at this instant."""


@dataclass
class FakeChannel:
    """A channel that does what `behave` says and keeps what came through: notice, recipients."""

    behave: Callable[[Notice, tuple[str, ...]], Attempt]
    recipients: tuple[str, ...] = ("owner@under-stairs.example",)
    told: list[tuple[Notice, tuple[str, ...]]] = field(default_factory=list)
    tries: list[Notice] = field(default_factory=list)
    probes: int = 0
    reachable: bool = True

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        self.tries.append(notice)
        if not self.reachable:
            return Attempt(unreachable="it is away")
        attempt = self.behave(notice, recipients)
        if attempt.accepted:
            self.told.append((notice, attempt.accepted))
        return attempt

    def probe(self) -> Attempt:
        self.probes += 1
        return Attempt() if self.reachable else Attempt(unreachable="it is away")


def accept(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
    del notice
    return Attempt(accepted=recipients)


def refuse(*, permanent: bool) -> Callable[[Notice, tuple[str, ...]], Attempt]:
    def behave(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        del notice
        return Attempt(refused=dict.fromkeys(recipients, Refusal("no", permanent)))

    return behave


@dataclass
class Outbox:
    """What a store would hold; `works` False loses what it is given, as a full disk does."""

    notices: dict[str, Notice] = field(default_factory=dict)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    works: bool = True

    def commit(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        if self.works:
            self.notices |= {notice.id: notice for notice in notices}
            self.outcomes |= {outcome.notice_id: outcome for outcome in outcomes}

    def waiting(self) -> list[tuple[Notice, Outcome | None]]:
        return [
            (notice, self.outcomes.get(notice.id))
            for notice in self.notices.values()
            if notice.id not in self.outcomes or self.outcomes[notice.id].status == "waiting"
        ]

    def statuses(self) -> dict[str, str]:
        return {key: outcome.status for key, outcome in self.outcomes.items()}


class Deliveries:
    """A delivery for each channel, as in a daemon."""

    def __init__(self, each: Iterable[Delivery]) -> None:
        self._each = list(each)

    def restore(
        self,
        waiting: Sequence[tuple[Notice, Outcome | None]],
        standing: Iterable[Transition],
        lived: Sequence[Transition],
        told: Mapping[str, int],
        t: int,
    ) -> None:
        standing = list(standing)
        for delivery in self._each:
            delivery.restore(waiting, standing, lived, told, t)

    def add(self, notices: Sequence[Notice]) -> None:
        for delivery in self._each:
            delivery.add(notices)

    def observe(self, transitions: Sequence[Transition]) -> None:
        for delivery in self._each:
            delivery.observe(transitions)

    def hurry(self, *, forgetful: bool = False) -> None:
        for delivery in self._each:
            delivery.hurry(forgetful=forgetful)

    def step(self, t: int, utc_ms: int) -> int | None:
        dues = [delivery.step(t, utc_ms) for delivery in self._each]
        return min((due_t for due_t in dues if due_t is not None), default=None)


class World:
    """Deliveries with their outbox, in pretended time; `offset_ms` is what UTC is ahead by."""

    def __init__(
        self,
        config: Config,
        carriers: dict[Channel, FakeChannel],
        *,
        start_t: int = NOON_MS,
        offset_ms: int = 0,
    ) -> None:
        self.config = config
        self.carriers = carriers
        self.outbox = Outbox()
        self.standing: dict[str, Transition] = {}
        self.lived: list[Transition] = []
        self.faults: list[tuple[Channel, Fault]] = []
        self.t = start_t
        self.offset_ms = offset_ms
        self.slow_to_write = False
        self.present: Present | None = None
        self.delivery = self._new_delivery()

    def _new_delivery(self) -> Deliveries:
        posted = [
            (each, self.outbox.outcomes.get(id_)) for id_, each in self.outbox.notices.items()
        ]
        told = Told(posted)
        return Deliveries(
            Delivery(channel, carrier, self.config, self, present=self.present, told=told)
            for channel, carrier in self.carriers.items()
        )

    def keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        self.outbox.commit(notices, outcomes)
        if not self.slow_to_write:
            self.delivery.add(notices)

    def channel_fault(self, channel: Channel, fault: Fault) -> None:
        self.faults.append((channel, fault))

    def emit(self, *transitions: Transition, committed: bool = True) -> list[Notice]:
        """Let transitions happen now: plan, commit, hand over."""
        notices = plan(transitions, self.config)
        if committed:
            self.outbox.commit(notices, [])
        self.lived += [replace(each, message=None) for each in transitions]
        for each in transitions:
            if each.state is AlarmState.NORMAL:
                self.standing.pop(each.id, None)
            else:
                self.standing[each.id] = each
        self.delivery.observe(transitions)
        self.delivery.add(notices)
        return notices

    def step(self) -> int | None:
        return self.delivery.step(self.t, self.t + self.offset_ms)

    def settle(self) -> int | None:
        """Step until nothing more is to be done at this instant."""
        for _ in range(1000):
            due_t = self.step()
            if due_t is None or due_t > self.t:
                return due_t
        raise AssertionError("the delivery never comes to rest")

    def run(self, seconds: float) -> None:
        """Live through a time, stepping whenever something is due."""
        end_t = self.t + round(seconds * 1000)
        while True:
            due_t = self.settle()
            if due_t is None or due_t > end_t:
                self.t = end_t
                return
            self.t = due_t

    def restart(self) -> None:
        """Die and come back with what the outbox holds."""
        self.delivery = self._new_delivery()
        self.delivery.restore(
            self.outbox.waiting(),
            self.standing.values(),
            self.lived,
            last_told(self.outbox.notices.values()),
            self.t,
        )


def mail_world(notify: str = "", *, start_t: int = NOON_MS, extra: str = "") -> World:
    return World(make_config(extra, notify=notify), {"email": FakeChannel(accept)}, start_t=start_t)


def many(count: int, priority: Priority = Priority.MEDIUM, *, t: int = NOON_MS) -> list[Transition]:
    return [
        transition(occurrence=f"alarm-{n}", priority=priority, t=t, cause=f"c{n}")
        for n in range(count)
    ]


def told(world: World) -> list[str]:
    return [notice.kind for notice, _ in world.carriers["email"].told]
