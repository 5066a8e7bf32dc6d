"""Whatever server, clock and power do: nothing is lost, nothing confirmed is doubled."""

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.notify.delivery import Attempt, Refusal
from cabinetwatch.store.records import Notice
from cabinetwatch.watch.events import Priority
from tests.notify.samples import NOON_MS, make_config, transition
from tests.notify.world import FakeChannel, Killed, World

RECIPIENTS = ("a@under-stairs.example", "b@under-stairs.example")

BEHAVIOURS = st.sampled_from(
    [
        "accept",
        "away",
        "refuse-all",
        "refuse-b",
        "lost-before",
        "lost-after",
        "killed-before",
        "killed-after",
    ]
)
EVENTS = st.one_of(
    st.tuples(st.just("raise"), st.sampled_from(list(Priority))),
    st.tuples(st.just("wait"), st.integers(0, 40_000)),
    st.tuples(st.just("step-clock"), st.integers(-(10**9), 10**9)),
    st.tuples(st.just("restart"), st.none()),
    st.tuples(st.just("behave"), BEHAVIOURS),
)


@dataclass
class Mailbox:
    """Who holds which mail: (recipient, transition id) -> Message-IDs, doubles included."""

    mails: dict[tuple[str, str], list[str]]

    def drop(self, notice: Notice, recipients: tuple[str, ...]) -> None:
        for recipient in recipients:
            for each in notice.transitions:
                self.mails.setdefault((recipient, each.id), []).append(notice.message_id)


class Server:
    """Behaves as told; `unconfirmed` are the mails it kept without our knowing."""

    def __init__(self) -> None:
        self.mode = "accept"
        self.mailbox = Mailbox({})
        self.unconfirmed: set[str] = set()

    def __call__(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        if self.mode == "refuse-all":
            return Attempt(refused=dict.fromkeys(recipients, Refusal("later")))
        if self.mode == "lost-before":
            return self._lost(recipients, in_doubt=False)
        if self.mode == "killed-before":
            raise Killed
        accepted = recipients
        if self.mode == "refuse-b":
            accepted = tuple(each for each in recipients if each == RECIPIENTS[0])
        self.mailbox.drop(notice, accepted)
        if self.mode == "lost-after":
            self.unconfirmed.add(notice.message_id)
            return self._lost(recipients, in_doubt=True)
        if self.mode == "killed-after":
            self.unconfirmed.add(notice.message_id)
            raise Killed
        refused = {each: Refusal("later") for each in recipients if each not in accepted}
        return Attempt(accepted=accepted, refused=refused)

    def _lost(self, recipients: tuple[str, ...], *, in_doubt: bool) -> Attempt:
        return Attempt(
            refused=dict.fromkeys(recipients, Refusal("cut")),
            in_doubt=in_doubt,
            connection_lost=True,
        )


def live(world: World, server: Server, seconds: float) -> None:
    """Live on, and come back whenever killed."""
    try:
        world.run(seconds)
    except Killed:
        server.mode = "accept"
        world.restart()
        live(world, server, 0)


@given(events=st.lists(EVENTS, max_size=40), digest_over=st.integers(1, 5), quiet=st.booleans())
def test_every_recipient_gets_every_alarm_and_doubles_only_what_was_never_confirmed(
    events: list[tuple[str, object]], digest_over: int, quiet: bool
) -> None:
    notify = f"repeat_s = 1e7\ndigest_over = {digest_over}\n"
    notify += 'quiet_hours = "12:00-13:30"\n' if quiet else ""
    server = Server()
    mail = FakeChannel(server, RECIPIENTS)
    world = World(make_config(notify=notify), {"email": mail}, start_t=NOON_MS)
    raised = []
    for number, (event, value) in enumerate(events):
        mail.reachable = server.mode != "away"
        if event == "raise" and isinstance(value, Priority):
            name = f"alarm-{number}"
            raised.append(name)
            world.emit(transition(occurrence=name, priority=value, t=world.t, cause=name))
            live(world, server, 0)
        elif event == "wait" and isinstance(value, int):
            live(world, server, value)
        elif event == "step-clock" and isinstance(value, int):
            world.offset_ms = value
        elif event == "restart":
            world.restart()
        elif event == "behave":
            server.mode = str(value)
    server.mode, mail.reachable, mail.behave = "accept", True, server
    live(world, server, 2 * 86_400)

    mails = server.mailbox.mails
    assert set(mails) == {(recipient, name) for recipient in RECIPIENTS for name in raised}
    for message_ids in mails.values():
        assert len(set(message_ids)) == 1, "one alarm came under two Message-IDs"
        assert len(message_ids) == 1 or message_ids[0] in server.unconfirmed
    for notice in world.outbox.notices.values():
        if notice.channel == "email":
            assert world.outbox.outcomes[notice.id].status in ("delivered", "merged")
