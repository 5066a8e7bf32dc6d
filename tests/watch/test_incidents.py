"""The alarms of one cause are one incident: few messages, each account true to the second."""

import json
import re
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import (
    Account,
    AlarmState,
    EntryKind,
    Message,
    Priority,
    Reading,
    Step,
    Transition,
)
from tests.watch.scene import CABINET, MINUTE, SECOND, Scene, make_config

OPENED, WORSE, OVER = Step.OPENED, Step.WORSE, Step.OVER
CALM = {"hall": 22.0, "nas_air": 36.0, "nas_power": 40.0, "nas_fan": 1400.0, "switch_air": 34.0}
VISIBLE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}

FIVE = CABINET + "".join(
    f"""
[sensors.{name}-air]
topic = "cabinet/{name}/temperature"
quantity = "temperature"

[devices.{name}]
name = "{called}"
temperature = "{name}-air"
ambient = "hall"
"""
    for name, called in (("ups", "UPS"), ("amplifier", "AV amplifier"), ("router", "Router"))
)

ENCLOSED = """
[sensors.cabinet-air]
topic = "cabinet/air"
quantity = "temperature"

[sensors.cabinet-fan]
topic = "cabinet/fan"
quantity = "fan-speed"

[devices.cabinet]
name = "Cabinet"
temperature = "cabinet-air"
ambient = "hall"
fan = "cabinet-fan"
min_fan_rpm = 600.0
max_rise_k = 15.0
"""


class Watched(Scene):
    """A scene that holds what is told against the engine at every step."""

    @property
    def messages(self) -> list[Message]:
        """Every message so far."""
        return [each.message for each in self.told if each.message is not None]

    @property
    def heard(self) -> list[Step]:
        """What the messages told."""
        return [message.step for message in self.messages]

    def account(self) -> Account:
        """Give the account of the only incident that is on."""
        (account,) = (each for each in self.engine.accounts() if not each.is_over)
        return account

    def lives(self, ms: int, **values: float) -> list[Transition]:
        """Let time pass; a value that never moves at all would be a sensor that is stuck."""
        told: list[Transition] = []
        end = self.t + ms
        while self.t < end:
            moved = 0.1 * (self.t // (10 * SECOND) % 2)
            told += super().lives(10 * SECOND, **{k: v + moved for k, v in values.items()})
        return told

    def _input(self, item: Any) -> list[Transition]:
        # What falls due comes first, and is held against the engine before this changes it.
        due = self.engine.advance(item.t)
        self.told += self._held(due)
        return due + self._held(super()._input(item))

    def passes(self, ms: int) -> list[Transition]:
        return self._held(super().passes(ms))

    def _held(self, told: list[Transition]) -> list[Transition]:
        if not told:
            return told
        accounts = self.engine.accounts()
        present = {account.id: account for account in accounts}
        last = {each.message.account.id: each for each in told if each.message is not None}
        for incident, each in last.items():
            assert each.message is not None
            if each.t == self.engine.now and incident in present:
                assert each.message.account == present[incident]
        on = [account for account in accounts if not account.is_over]
        alarms = self.engine.alarms.values()
        for alarm in alarms:
            if alarm.active and alarm.state in VISIBLE:
                assert sum(alarm.id in account.alarms for account in on) == 1, alarm.key
        active = {alarm.id for alarm in alarms if alarm.active}
        assert all(active & {*account.alarms} for account in on)
        return told


def told_of(scene: Watched) -> dict[str, str]:
    """Give for each incident the steps told, as letters: o(pened), w(orse), e(nded)."""
    letters = {OPENED: "o", WORSE: "w", OVER: "e"}
    words: dict[str, str] = defaultdict(str)
    for message in scene.messages:
        words[message.account.id] += letters[message.step]
    return words


def climbs(scene: Scene, sensor: str, begin: float, end: float, **rest: float) -> None:
    """Let a temperature go from one value to another, half a kelvin every 20 s."""
    step = 0.5 if end > begin else -0.5
    while begin != end:
        begin += step
        scene.lives(20 * SECOND, **{**CALM, **rest, sensor: begin})


def stalled(scene: Scene, minutes: int = 3, **rest: float) -> None:
    """Let the fan of the NAS stall."""
    scene.lives(minutes * MINUTE, **CALM | {"nas_fan": 300.0} | rest)


def an_evening_of_the_fan(scene: Watched) -> None:
    """The fan stalls, the NAS crosses its threshold, the fan is mended, all cools down."""
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0)
    climbs(scene, "nas_air", 72.0, 36.0)
    scene.lives(60 * MINUTE, **CALM)


def test_a_stalled_fan_is_one_incident_of_three_messages() -> None:
    scene = Watched()
    an_evening_of_the_fan(scene)
    assert scene.heard == [OPENED, WORSE, OVER]
    opened, worse, over = (message.account for message in scene.messages)
    assert [each.headline for each in (opened, worse, over)] == [
        "NAS: fan slow or stopped",
        "NAS: above its derating threshold",
        "NAS: fan running again",
    ]
    first = next(each for each in scene.told if each.is_raise)
    assert {each.id for each in (opened, worse, over)} == {first.id} == {first.incident}
    assert {each.since_ms for each in (opened, worse, over)} == {opened.since_ms}
    assert over.over_ms == over.time_ms
    assert {message.account.priority for message in scene.messages} == {Priority.HIGH}
    # Between two messages, whatever the alarms did is in the later one.
    assert [len(message.transitions) for message in scene.messages] == [1, 1, 4]
    assert [each.condition for each in scene.messages[2].transitions if each.is_return] == [
        "fan-slow",
        "over-derating",
        "over-rise",
    ]


def test_one_lost_ambient_over_five_devices_is_one_incident() -> None:
    scene = Watched(make_config(FIVE))
    airs = dict.fromkeys(("ups_air", "amplifier_air", "router_air"), 30.0)
    scene.lives(10 * MINUTE, **CALM, **airs)
    without = {name: value for name, value in CALM.items() if name != "hall"}
    scene.lives(10 * MINUTE, **without, **airs)
    account = scene.account()
    assert scene.heard == [OPENED]
    assert sorted(account.subjects) == ["amplifier", "nas", "router", "switch", "ups"]
    assert account.headline.endswith("and 3 more is not known")
    assert account.figures == ()
    scene.lives(60 * MINUTE, **CALM, **airs)
    assert scene.heard == [OPENED, OVER]
    assert [len(message.transitions) for message in scene.messages] == [5, 5]


def test_an_hour_without_the_broker_is_one_incident() -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    scene.tell(EntryKind.DISCONNECT, reason="connection reset", end="closed")
    (told,) = scene.passes(60 * MINUTE)
    assert "connection reset" in told.text
    assert scene.account().headline == "The watch is cut off from its broker"
    scene.tell(EntryKind.CONNECT, session_present=True)
    scene.lives(60 * MINUTE, **CALM)
    assert scene.heard == [OPENED, OVER]
    assert scene.messages[1].account.headline == "The watch is connected to its broker again"


def test_a_step_of_the_clock_is_one_message_and_over_at_once() -> None:
    scene = Watched()
    scene.lives(MINUTE, **CALM)
    scene.tell(EntryKind.OFFSET, offset_ms=3_600_000)
    scene.lives(60 * MINUTE, **CALM)
    (message,) = scene.messages
    assert message.account.is_over
    assert scene.engine.accounts() == []


def test_what_comes_to_an_acknowledged_incident_is_told_as_worse() -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    scene.orders("ack", id=scene.account().id, by="Robin")
    assert (scene.account().state, scene.account().acknowledged_by) == ("acknowledged", "Robin")
    assert scene.heard == [OPENED]
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0)
    assert scene.heard == [OPENED, WORSE]
    assert (scene.account().state, scene.account().acknowledged_by) == ("unacknowledged", "Robin")


@pytest.mark.parametrize("by_what", ["incident", "alarm", "device", "all"])
def test_an_acknowledgement_takes_all_that_it_names(by_what: str) -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0, switch_air=57.0)
    nas, switch = (next(a for a in scene.engine.accounts() if s in a.subjects) for s in NAMES)
    hot = scene.engine.alarms["nas/over-derating"].id
    assert nas.id != hot
    ids = {"incident": nas.id, "alarm": hot, "device": "nas"}
    wanted: dict[str, Any] = {"id": ids[by_what]} if by_what in ids else {"all": True}
    scene.orders("ack", **wanted)
    states = {each.id: each.state for each in scene.engine.accounts()}
    assert states[nas.id] == ("unacknowledged" if by_what == "alarm" else "acknowledged")
    assert states[switch.id] == ("acknowledged" if by_what == "all" else "unacknowledged")
    left = {a.key for a in scene.engine.alarms.values() if a.state is AlarmState.UNACKNOWLEDGED}
    assert left & {"nas/fan-slow", "nas/over-derating"} == (
        {"nas/fan-slow"} if by_what == "alarm" else set()
    )


NAMES = ("nas", "switch-air")


def test_a_device_inside_joins_the_incident_of_the_cabinet_that_has_lost_its_cooling() -> None:
    config = make_config(CABINET.replace('ambient = "hall"', 'ambient = "cabinet-air"') + ENCLOSED)
    scene = Watched(config)
    calm = CALM | {"cabinet_air": 26.0, "cabinet_fan": 1000.0}
    scene.lives(10 * MINUTE, **calm)
    scene.lives(3 * MINUTE, **calm | {"cabinet_fan": 100.0})
    climbs(scene, "nas_air", 36.0, 72.0, cabinet_fan=100.0, cabinet_air=40.0)
    scene.lives(5 * MINUTE, **calm | {"cabinet_fan": 100.0, "cabinet_air": 55.0, "nas_air": 72.0})
    assert scene.heard[:2] == [OPENED, WORSE]
    account = scene.account()
    assert {"cabinet", "nas"} <= {*account.subjects}
    assert account.headline == "NAS: above its derating threshold (also Cabinet)"
    # By itself, with the cabinet's fan running, it is an incident of its own.
    scene.lives(120 * MINUTE, **calm)
    assert scene.heard[-1] is OVER
    scene.orders("ack", all=True)
    climbs(scene, "nas_air", 36.0, 72.0, **calm)
    scene.lives(5 * MINUTE, **calm | {"nas_air": 72.0})
    alone = scene.account()
    assert alone.id != account.id
    assert alone.subjects == ("nas",)
    # What comes to the cabinet then is no part of that.
    scene.lives(3 * MINUTE, **calm | {"nas_air": 72.0, "cabinet_fan": 100.0})
    on = {each.id: each.subjects for each in scene.engine.accounts() if not each.is_over}
    assert len(on) == 2
    assert on[alone.id] == ("nas",)


def test_part_of_an_incident_put_out_of_sight_neither_ends_nor_hides_it() -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0)
    incident = scene.account().id
    scene.orders("shelve", id=incident, for_s=600, reason="the new fan is on its way")
    account = scene.account()
    assert (account.id, account.headline) == (incident, "NAS: above its derating threshold")
    assert "its fan" not in account.now
    stalled(scene, 12, nas_air=72.0)
    assert scene.heard == [OPENED, WORSE]
    scene.orders("service-out", subject="nas")
    assert scene.account().is_hidden
    stalled(scene, 5, nas_air=72.0)
    assert scene.heard == [OPENED, WORSE]
    scene.orders("service-in", subject="nas")
    assert scene.heard == [OPENED, WORSE, OPENED]
    climbs(scene, "nas_air", 72.0, 36.0)
    scene.lives(60 * MINUTE, **CALM)
    assert scene.heard == [OPENED, WORSE, OPENED, OVER]


def test_a_whole_incident_is_shelved_and_what_comes_on_top_of_it_is_told() -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    incident = scene.account().id
    scene.orders("shelve", incident=incident, for_s=3 * 3600.0, by="ann")
    assert scene.engine.answer is not None
    assert scene.engine.answer.text.startswith('"NAS: fan slow or stopped" is shelved for 3')
    assert scene.account().state == "shelved"
    stalled(scene, 5)
    assert scene.heard == [OPENED]
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0)
    assert scene.heard == [OPENED, OPENED]
    assert scene.account().headline == "NAS: above its derating threshold"
    # All of it off the shelf again at once.
    scene.orders("shelve", incident=incident, for_s=3 * 3600.0)
    assert scene.account().is_hidden
    scene.orders("unshelve", incident=incident)
    assert scene.account().state == "unacknowledged"
    assert all(alarm.shelved_until_t is None for alarm in scene.engine.alarms.values())


@pytest.mark.parametrize("command", ["shelve", "unshelve", "dance"])
def test_of_an_incident_that_is_gone_nothing_is_done(command: str) -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    scene.orders(command, incident="gone", for_s=60.0)
    assert scene.engine.answer is not None
    assert scene.engine.answer.text == "Incident 'gone' is over, or that was done already."
    assert not scene.engine.answer.ok


def state_of(engine: Engine) -> dict[str, Any]:
    """Give a saved state, as it comes back from the store."""
    state: dict[str, Any] = json.loads(json.dumps(engine.save()))
    return state


def restarted(scene: Watched, change: Callable[[dict[str, Any]], None] = lambda _: None) -> None:
    """Have the scene go on with another engine, from the saved state of the last."""
    state = state_of(scene.engine)
    change(state)
    scene.engine = Engine(scene.engine.config)
    scene.engine.load(state)


def test_a_restart_at_any_time_changes_no_message() -> None:
    straight, broken = Watched(), Watched()
    an_evening_of_the_fan(straight)
    for number, item in enumerate(straight.inputs[len(broken.inputs) :]):
        broken.t = item.t
        if number % 97 == 0:
            restarted(broken)
        broken._input(item)
    assert broken.told == straight.told
    assert broken.messages == straight.messages
    assert broken.engine.incidents.closed == straight.engine.incidents.closed


def without_incidents(state: dict[str, Any]) -> None:
    """Make of a saved state what a version wrote that knew no incidents."""
    del state["incidents"]
    for alarm in state["alarms"].values():
        del alarm["incident"]


def test_what_an_earlier_version_left_standing_is_adopted() -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    stalled(scene)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0)
    stalled(scene, 5, nas_air=72.0)
    before = scene.account()
    restarted(scene, without_incidents)
    adopted = scene.account()
    assert adopted.id in {*adopted.alarms} <= {*before.alarms}
    assert (adopted.headline, adopted.now) == (before.headline, before.now)
    assert adopted.since_ms >= before.since_ms
    stalled(scene, 5, nas_air=72.0)
    assert scene.heard == [OPENED, WORSE]
    climbs(scene, "nas_air", 72.0, 36.0)
    scene.lives(60 * MINUTE, **CALM)
    assert scene.heard == [OPENED, WORSE, OVER]


def test_what_an_earlier_version_left_returned_is_over_already() -> None:
    scene = Watched()
    an_evening_of_the_fan(scene)
    restarted(scene, without_incidents)
    assert all(account.is_over for account in scene.engine.accounts())
    scene.lives(10 * MINUTE, **CALM)
    scene.orders("ack", all=True)
    assert scene.heard == [OPENED, WORSE, OVER]
    assert scene.engine.accounts() == []


def test_the_same_inputs_give_the_same_incidents() -> None:
    scene, again = Watched(), Watched()
    an_evening_of_the_fan(scene)
    for item in scene.inputs[len(again.inputs) :]:
        again.t = item.t
        again._input(item)
    assert again.messages == scene.messages
    assert [each.incident for each in again.told] == [each.incident for each in scene.told]


def test_an_account_survives_its_published_form() -> None:
    scene = Watched()
    an_evening_of_the_fan(scene)
    for message in scene.messages:
        wire = json.loads(json.dumps(message.account.public()))
        assert Account.from_public(wire) == message.account


ACTIONS = st.one_of(
    st.tuples(
        st.just("live"),
        st.sampled_from(
            [
                {},
                {"nas_fan": 300.0},
                {"nas_air": 72.0},
                {"nas_air": 72.0, "nas_fan": 300.0},
                {"switch_air": 57.0},
                {"hall": None},
                {"hall": None, "nas_air": 72.0},
                {"nas_air": None},
            ]
        ),
        st.integers(1, 5),
    ),
    st.tuples(st.just("ack"), st.sampled_from(["nas", "switch", "hall", "all"]), st.just(0)),
    st.tuples(st.just("shelve"), st.integers(0, 3), st.sampled_from([60, 600])),
    st.tuples(st.just("service"), st.sampled_from(["nas", "switch-air"]), st.booleans()),
    st.tuples(st.just("broker"), st.booleans(), st.just(0)),
    st.tuples(st.just("restart"), st.just(0), st.just(0)),
)


def act(scene: Watched, action: tuple[str, Any, Any]) -> None:
    """Let one thing happen."""
    match action:
        case "live", values, minutes:
            heard = {**CALM, **values}
            scene.lives(minutes * MINUTE, **{k: v for k, v in heard.items() if v is not None})
        case "ack", "all", _:
            scene.orders("ack", all=True)
        case "ack", subject, _:
            scene.orders("ack", id=subject)
        case "shelve", number, for_s:
            standing = [a.id for a in scene.engine.alarms.values() if a.id]
            if standing:
                scene.orders("shelve", id=standing[number % len(standing)], for_s=for_s, reason="x")
        case "service", subject, out:
            scene.orders("service-out" if out else "service-in", subject=subject)
        case "broker", True, _:
            scene.tell(EntryKind.CONNECT, session_present=True)
        case "broker", False, _:
            scene.tell(EntryKind.DISCONNECT, reason="reset", end="closed")
            scene.passes(2 * MINUTE)
        case _:
            restarted(scene)


@settings(max_examples=settings().max_examples // 6)
@given(st.lists(ACTIONS, min_size=3, max_size=12))
def test_whatever_happens_each_incident_that_is_told_is_told_over_once(
    actions: list[tuple[str, Any, Any]],
) -> None:
    scene = Watched()
    scene.lives(10 * MINUTE, **CALM)
    for action in actions:
        act(scene, action)
        for incident, steps in told_of(scene).items():
            assert re.fullmatch("(o[ow]*e)*(o[ow]*)?", steps)
            on = [each for each in scene.engine.accounts() if each.id == incident]
            is_on = any(not each.is_over for each in on)
            assert is_on == (not steps.endswith("e")), (incident, steps, on)
    scene.tell(EntryKind.CONNECT, session_present=True)
    for subject in ("nas", "switch-air"):
        scene.orders("service-in", subject=subject)
    scene.lives(120 * MINUTE, **CALM)
    scene.orders("ack", all=True)
    assert scene.engine.accounts() == []
    assert all(re.fullmatch("(o[ow]*e)+", steps) for steps in told_of(scene).values())
    assert isinstance(scene.inputs[-2], Reading)
