"""What a forgetful broker is told again: what stood last, in its order, written down nowhere."""

from dataclasses import replace

from cabinetwatch.watch.events import Priority, Transition
from tests.notify.samples import NORMAL, make_config, returned, transition
from tests.notify.world import FakeChannel, World, accept

RAISED = transition()


def normal(raised: Transition) -> Transition:
    return replace(raised, state=NORMAL, previous=raised.state, t=raised.t + 1)


def mqtt_world(notify: str = "") -> World:
    return World(make_config(email=None, notify=notify), {"mqtt": FakeChannel(accept)})


def published(world: World) -> list[tuple[str, str, str]]:
    """Give (kind of notice, occurrence, state) of all that went out."""
    return [
        (notice.kind, each.id, each.state.value)
        for notice, _ in world.carriers["mqtt"].told
        for each in notice.transitions
    ]


def remind(world: World) -> list[tuple[str, str, str]]:
    """Let the broker come back without its memory; give what it is told."""
    before = len(published(world))
    world.delivery.hurry(forgetful=True)
    world.settle()
    return published(world)[before:]


def test_it_is_told_the_last_transition_of_each_standing_alarm_in_their_order() -> None:
    world = mqtt_world()
    other = transition(occurrence="second", subject="av-amplifier", t=RAISED.t - 5)
    for each in (RAISED, other, returned(RAISED)):
        world.emit(each)
        world.settle()
    assert remind(world) == [
        ("again", "second", "unacknowledged"),
        ("again", RAISED.id, "returned"),
    ]


def test_it_is_told_nothing_of_an_alarm_that_is_normal() -> None:
    world = mqtt_world()
    for each in (RAISED, normal(RAISED)):
        world.emit(each)
        world.settle()
    assert remind(world) == []


def test_telling_it_again_is_written_down_nowhere() -> None:
    world = mqtt_world()
    world.emit(RAISED)
    world.settle()
    notices, outcomes = dict(world.outbox.notices), dict(world.outbox.outcomes)
    assert len(remind(world)) == 1
    assert (world.outbox.notices, world.outbox.outcomes) == (notices, outcomes)


def test_what_still_waits_to_be_published_is_newer_and_suffices() -> None:
    world = mqtt_world()
    world.emit(RAISED)
    world.settle()
    world.carriers["mqtt"].reachable = False
    world.emit(returned(RAISED))
    world.settle()
    world.carriers["mqtt"].reachable = True
    assert remind(world) == [("return", RAISED.id, "returned")]


def test_what_is_not_committed_yet_is_not_told_ahead_of_its_turn() -> None:
    world = mqtt_world()
    world.emit(RAISED)
    world.settle()
    world.delivery.observe([returned(RAISED)])
    assert remind(world) == [("again", RAISED.id, "unacknowledged")]


def test_an_alarm_that_left_the_configuration_before_it_was_published_is_not_told_again() -> None:
    world = mqtt_world()
    world.carriers["mqtt"].reachable = False
    world.emit(RAISED)
    world.settle()
    # Its end has no notice: the topic of an alarm that is gone is cleared.
    world.delivery.observe([normal(RAISED)])
    world.carriers["mqtt"].reachable = True
    assert remind(world) == [("raise", RAISED.id, "unacknowledged")]
    assert remind(world) == []


def test_two_losses_in_a_row_before_it_is_reached_are_one() -> None:
    world = mqtt_world()
    world.emit(RAISED)
    world.settle()
    world.carriers["mqtt"].reachable = False
    assert remind(world) == []
    world.carriers["mqtt"].reachable = True
    assert remind(world) == [("again", RAISED.id, "unacknowledged")]


def test_after_a_restart_it_is_told_what_the_store_says_stands() -> None:
    world = mqtt_world()
    world.emit(RAISED)
    world.settle()
    world.restart()
    assert remind(world) == [("again", RAISED.id, "unacknowledged")]


def test_it_is_told_nothing_of_a_priority_that_is_not_published() -> None:
    world = mqtt_world('[notify.mqtt]\npriorities = ["high"]\n')
    low = replace(RAISED, priority=Priority.LOW)
    world.standing[low.id] = low
    world.restart()
    assert remind(world) == []
