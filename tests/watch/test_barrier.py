"""What can't be judged is set aside: the engine goes on as if it had never come, live or replayed.

The faults are put into the code that judges; what is tried is how the engine goes on around them.
"""

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest

from cabinetwatch.store.replay import Replayer
from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.watch import events as barrier
from cabinetwatch.watch.conditions.heat import OverRise
from cabinetwatch.watch.conditions.sensor import Silent
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition
from tests.watch.scene import MINUTE, SECOND, T0, Scene, make_config

POISON = 41.375
"""The value at which the observer's code is made to fail, half way through its work.

It is near enough to those before it not to be set aside as wild."""


@pytest.fixture
def poisoned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the observer fail at one value, after it has spoilt what it remembers."""
    take = DeviceObserver.observe_temperature

    def stumble(self: DeviceObserver, t_ms: int, temperature_c: float) -> bool:
        judged = take(self, t_ms, temperature_c)
        if temperature_c == POISON:
            self._judged_ms = -1
            raise ZeroDivisionError("float division by zero")
        return judged

    monkeypatch.setattr(DeviceObserver, "observe_temperature", stumble)


def hours(poison_at: Sequence[int] = (), rounds: int = 400) -> list[Reading | Entry]:
    """Give some time of a cabinet with a NAS that gets too warm, poison in some of the rounds."""
    start = {"offset_ms": 0, "boot_ms": T0 - 60 * MINUTE, "ran_until_ms": None}
    inputs: list[Reading | Entry] = [
        Entry(T0, EntryKind.START, start),
        Entry(T0, EntryKind.CONNECT, {"session_present": False}),
    ]
    for number in range(rounds):
        t = T0 + number * 10 * SECOND
        warm = 40.0 if number < rounds // 2 else 52.0 + number % 3
        inputs.append(Reading("hall", t, 21.0 + number % 5 * 0.1))
        if number in poison_at:
            inputs.append(Reading("nas-air", t + 1, POISON))
        inputs.append(Reading("nas-air", t + 2, warm + number % 7 * 0.1))
        inputs.append(Reading("nas-power", t + 3, 40.0 + number % 4))
        own_t = t - SECOND
        inputs.append(Reading("switch-air", own_t, 33.0 + number % 2 * 0.1, Quality.TIMED))
    return inputs


def told_by(engine: Engine, inputs: Sequence[Reading | Entry]) -> list[Transition]:
    """Feed an engine, asking it now and then in between as a daemon does."""
    told: list[Transition] = []
    for item in inputs:
        told += engine.observe(item) if isinstance(item, Reading) else engine.tell(item)
        told += engine.advance(engine.now + 1)
    return told


def others(transitions: Sequence[Transition]) -> list[Transition]:
    """Leave out what tells of the refusals themselves."""
    return [each for each in transitions if each.condition != "input-refused"]


def without_refusals(engine: Engine) -> dict[str, Any]:
    """Give the whole state but what is remembered of refusals."""
    state: dict[str, Any] = json.loads(json.dumps(engine.save()))
    del state["site"]["refusals"], state["alarms"]["site/input-refused"]
    incidents = state["incidents"]
    incidents["open"] = [e for e in incidents["open"] if e["cause"] != "site/input-refused"]
    return state


@pytest.mark.usefixtures("poisoned")
def test_after_a_refused_reading_the_engine_stands_as_if_it_had_never_come() -> None:
    sound, hit = Engine(make_config()), Engine(make_config())
    never = told_by(sound, hours())
    told = told_by(hit, hours(poison_at=(150, 260)))

    assert others(told) == never
    assert "over-rise" in {each.condition for each in never}
    assert without_refusals(hit) == without_refusals(sound)
    assert [each.subject for each in hit.refused] == ["nas-air", "nas-air"]


def test_a_replay_lets_time_pass_though_all_readings_have_times_of_their_own() -> None:
    given = []

    def inputs() -> Iterator[Reading | Entry]:
        for item in hours():
            given.append(item)
            yield item._replace(quality=Quality.TIMED) if isinstance(item, Reading) else item

    told = Replayer(Engine(make_config())).run(inputs())
    first = next(each for each in told if each.condition == "over-rise")

    assert given[-1].t < first.t + MINUTE


@pytest.mark.usefixtures("poisoned")
def test_a_replay_and_a_warm_start_refuse_the_same_and_tell_the_same() -> None:
    inputs = hours(poison_at=(150, 260, 300, 301, 302, 380))
    live = Engine(make_config())
    told = told_by(live, inputs)
    again = list(Replayer(Engine(make_config())).run(inputs))
    half = Engine(make_config())
    cut = len(inputs) // 2
    warm = list(Replayer(half).run(inputs[:cut]))
    other = Engine(make_config())
    other.load(json.loads(json.dumps(half.save())))
    warm += Replayer(other).run(inputs[cut:])

    assert any(each.condition == "input-refused" for each in told)
    assert told == again == warm
    other.advance(live.now)
    assert json.dumps(live.save()) == json.dumps(other.save())


@pytest.mark.usefixtures("poisoned")
def test_the_way_back_begins_anew_after_many_inputs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cabinetwatch.watch.engine.MOST_SINCE", 100)
    sound, hit = Engine(make_config()), Engine(make_config())
    never, told = told_by(sound, hours()), told_by(hit, hours(poison_at=(150, 155, 260)))

    assert others(told)[-1].state == never[-1].state
    assert len(hit._since) <= 100 < barrier.MOST_SINCE


@pytest.mark.usefixtures("poisoned")
def test_it_is_told_with_sensor_topic_value_and_number_and_returns_by_itself() -> None:
    scene = Scene()
    scene.lives(MINUTE, hall=21.0, nas_air=40.0)
    scene.t += SECOND
    scene.reads("nas-air", POISON)
    scene.t += SECOND
    scene.reads("nas-air", POISON)
    scene.lives(MINUTE, hall=21.0, nas_air=40.0)
    (raised,) = (each for each in scene.told if each.condition == "input-refused")
    assert raised.text == (
        "2 messages of nas-air (topic cabinet/nas/temperature) could not be judged and were set"
        " aside; the last said 41.375. The watch goes on without; for 10\N{NO-BREAK SPACE}s now."
    )
    assert (raised.subject, raised.priority.value) == ("site", "medium")
    assert raised.values["refused"] == (
        "nas-air: 2 messages, the last 41.375 (ZeroDivisionError: float division by zero)"
    )
    scene.lives(65 * MINUTE, hall=21.0, nas_air=40.0)
    back = scene.told[-1]
    assert (back.condition, back.state.value) == ("input-refused", "returned")
    assert back.text.startswith("Nothing has had to be set aside for 1\N{NO-BREAK SPACE}h")


@pytest.mark.usefixtures("poisoned")
def test_three_within_an_hour_begin_the_observer_anew_with_what_was_learnt() -> None:
    config = make_config(extra="normal_rise_k = 12.0\n")
    scene = Scene(config)
    device = scene.engine.model.devices["switch"]
    scene.lives(20 * MINUTE, hall=28.0, switch_air=40.0)
    response = device.observer.response
    for _ in range(3):
        assert scene.engine.model.devices["switch"].observer.figures is not None
        scene.t += SECOND
        scene.reads("switch-air", POISON)
    after = scene.engine.model.devices["switch"].observer
    assert after.figures is None
    assert after.normal is not None
    assert after.normal.rise_k == 12.0
    assert after.response == response
    scene.lives(2 * MINUTE, hall=28.0, switch_air=40.0)
    assert after.figures is not None


@pytest.mark.usefixtures("poisoned")
def test_a_sensor_that_goes_on_so_rests_for_a_minute_at_a_time() -> None:
    scene = Scene()
    scene.lives(MINUTE, hall=21.0, nas_air=40.0)
    for _ in range(100):
        scene.t += 100
        scene.reads("nas-air", POISON)
    # Four were tried, and the rest counted.
    assert len(scene.engine.refused) == 4
    assert scene.engine.model.site.refusals.all[-1].messages == 100
    scene.lives(3 * MINUTE, hall=21.0, nas_air=36.0)
    assert scene.engine.model.sensors["nas-air"].value == 36.0


def _failing(monkeypatch: pytest.MonkeyPatch, owner: type, name: str, when: Any) -> None:
    plain: Callable[..., Any] = getattr(owner, name)

    def fail(self: Any, *arguments: Any) -> Any:
        if when(self, *arguments):
            raise RuntimeError("nobody has foreseen this")
        return plain(self, *arguments)

    monkeypatch.setattr(owner, name, fail)


def test_a_deadline_whose_judgement_raises_is_passed_over_and_holds_up_no_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _failing(
        monkeypatch,
        Silent,
        "judge",
        lambda self, *_: self.subject == "nas-air" and self.sensor.silent,
    )
    scene = Scene()
    scene.lives(2 * MINUTE, hall=21.0, nas_air=40.0, switch_air=33.0)
    scene.passes(120 * MINUTE)
    silent = {each.subject for each in scene.told if each.condition == "silent"}
    assert "switch-air" in silent
    assert "nas-air" not in silent
    (told,) = (each for each in scene.told if each.condition == "input-refused" and each.is_raise)
    assert told.text.startswith(
        "2 deadlines of nas-air could not be judged and were passed over: what it would have raised"
        " or ended keeps its state."
    )
    # Not tried for ever: time goes on in one call, and the next finds nothing left.
    before = len(scene.engine.refused)
    scene.passes(MINUTE)
    assert len(scene.engine.refused) == before
    assert list(Replayer(Engine(make_config())).run(scene.inputs)) == [
        each for each in scene.told if each.t <= scene.inputs[-1].t
    ]


def test_an_alarm_whose_sentence_cannot_be_put_together_is_told_plainly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _failing(monkeypatch, OverRise, "seen", lambda *_: True)
    scene = Scene()
    scene.lives(10 * MINUTE, hall=21.0, nas_air=49.0, nas_power=10.0)
    told = [each for each in scene.told if each.condition == "over-rise"]
    assert [(each.subject, each.state.value) for each in told] == [("nas", "unacknowledged")]
    assert told[0].text == (
        '"NAS: too far above the surrounding air" is unacknowledged now; its figures could not be'
        " reckoned."
    )


@pytest.mark.parametrize("kind", [kind for kind in EntryKind if kind is not EntryKind.CONFIG])
@pytest.mark.parametrize("data", [{}, {"offset_ms": "soon"}, [], None, 7, {"ok": False}])
def test_a_foreign_row_of_the_journal_is_passed_over(kind: EntryKind, data: Any) -> None:
    scene = Scene()
    scene.lives(MINUTE, hall=21.0, nas_air=40.0)
    told = scene.engine.tell(Entry(scene.t, kind, data))
    assert all(each.condition in {"input-refused", "broker-lost"} for each in told)
    scene.lives(10 * MINUTE, hall=21.0, nas_air=55.0)
    assert any(each.condition == "over-derating" for each in scene.told)
