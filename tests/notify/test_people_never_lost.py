"""Whatever server, power and people do: the second is told only if nobody answers in time."""

from collections import Counter
from dataclasses import dataclass, replace

from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.notify.delivery import Attempt, Refusal
from cabinetwatch.store.records import Notice
from cabinetwatch.watch.events import AlarmState, Message, Priority, Step, Transition
from tests.notify.samples import NOON_MS, account, transition
from tests.notify.test_people import TWO, house
from tests.notify.world import FakeChannel, Killed, World

FIRST, SECOND = "mail to kim", "mail to robin"
TURN_MS = 30 * 60_000
EVENTS = st.one_of(
    st.tuples(st.just("raise"), st.just(0)),
    st.tuples(st.sampled_from(["answer", "end"]), st.integers(0, 3)),
    st.tuples(st.just("wait"), st.integers(1, 2400)),
    st.tuples(st.just("restart"), st.just(0)),
    st.tuples(st.sampled_from(["away", "killed-before", "killed-after", "accept"]), st.just(0)),
)


@dataclass
class Incident:
    """One alarm, and when (watch ms) somebody answered or it was over."""

    raised: Transition
    answered_t: int | None = None
    over_t: int | None = None

    @property
    def settled_in_time(self) -> bool:
        """Whether the second need never hear of it."""
        settled = [t for t in (self.answered_t, self.over_t) if t is not None]
        return min(settled, default=self.raised.t + TURN_MS) < self.raised.t + TURN_MS


class Server:
    """Behaves as told; a kill happens once. `taken` are channel and notice, in order."""

    def __init__(self) -> None:
        self.mode = "accept"
        self.taken: list[tuple[str, Notice]] = []
        self.doubtful: set[str] = set()

    def __call__(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        mode, self.mode = self.mode, "accept" if "killed" in self.mode else self.mode
        if mode == "killed-before":
            raise Killed
        if mode == "away":
            return Attempt(refused=dict.fromkeys(recipients, Refusal("later")))
        self.taken.append((notice.channel, notice))
        if mode == "killed-after":
            self.doubtful.add(notice.message_id)
            raise Killed
        return Attempt(accepted=recipients)


def live(world: World, seconds: float) -> None:
    """Live on, and come back whenever killed."""
    try:
        world.run(seconds)
    except Killed:
        world.restart()
        live(world, seconds)


@given(events=st.lists(EVENTS, max_size=30))
def test_the_second_is_told_once_if_and_only_if_nobody_answers_in_time(
    events: list[tuple[str, int]],
) -> None:
    server = Server()
    world = World(
        house(TWO), {FIRST: FakeChannel(server), SECOND: FakeChannel(server)}, start_t=NOON_MS
    )
    incidents: list[Incident] = []
    was_away = False
    for event, value in events:
        there = incidents[value] if value < len(incidents) else None
        if event == "raise":
            name = f"alarm-{len(incidents)}"
            raised = transition(occurrence=name, t=world.t, cause=name, priority=Priority.HIGH)
            incidents.append(Incident(raised))
            world.emit(raised)
        elif event == "answer" and there and there.answered_t is there.over_t is None:
            there.answered_t = world.t
            world.emit(_moved(there.raised, world.t, AlarmState.ACKNOWLEDGED))
        elif event == "end" and there and there.over_t is None:
            state = AlarmState.RETURNED if there.answered_t is None else AlarmState.NORMAL
            ended = _moved(there.raised, world.t, state)
            there.over_t = world.t
            message = Message(Step.OVER, account(ended), (ended,), (Priority.HIGH,))
            world.emit(replace(ended, message=message))
        elif event == "wait":
            live(world, value)
        elif event == "restart":
            world.restart()
        elif event not in ("answer", "end"):
            server.mode = event
            was_away |= event != "accept"
        live(world, 0)
    server.mode = "accept"
    live(world, 2 * 86_400)

    for incident in incidents:
        told = {each: _told(server, each, incident) for each in (FIRST, SECOND)}
        over = int(incident.over_t is not None)
        assert told[FIRST] == {"raise": 1, "return": 1} if over else {"raise": 1}
        if incident.settled_in_time:
            assert told[SECOND] == {}
        elif incident.answered_t is None and incident.over_t is None:
            assert told[SECOND] == {"raise": 1}
        elif not was_away:
            assert told[SECOND] == ({"raise": 1, "return": 1} if over else {"raise": 1})
        else:
            # Answered while its mail was on its way: it may have been withdrawn, but never in part.
            assert told[SECOND] in ({}, {"raise": 1, **({"return": 1} if over else {})})
    assert world.outbox.waiting() == []


def _moved(raised: Transition, t: int, state: AlarmState) -> Transition:
    return replace(
        raised, t=t, utc_ms=t, state=state, previous=AlarmState.UNACKNOWLEDGED, message=None
    )


def _told(server: Server, channel: str, incident: Incident) -> dict[str, int]:
    """Count what a person was told of an incident, the doubles of a kill once."""
    seen: set[str] = set()
    counts: Counter[str] = Counter()
    for to, notice in server.taken:
        about = [each for each in notice.transitions if each.id == incident.raised.id]
        if to != channel or not about:
            continue
        if notice.message_id in seen:
            assert notice.message_id in server.doubtful
            continue
        seen.add(notice.message_id)
        for each in about:
            counts["raise" if each.is_raise else "return"] += 1
    return dict(counts)
