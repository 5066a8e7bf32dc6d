"""The order of acknowledgements, and the time the window stands full."""

from cabinetwatch.mqtt.connection import Acknowledgements


def test_waits_for_the_ones_that_came_before() -> None:
    """MQTT 5.0, 4.6."""
    pending = Acknowledgements(window=10)
    for packet_id in (4, 2, 9):
        pending.arrive(packet_id, 0)
    pending.done(2)
    assert pending.sendable(0) == []
    pending.done(4)
    assert pending.sendable(0) == [4, 2]
    pending.done(9)
    assert pending.sendable(0) == [9]


def test_an_identifier_twice_at_once_is_acknowledged_twice() -> None:
    pending = Acknowledgements(window=10)
    for packet_id in (4, 4):
        pending.arrive(packet_id, 0)
    pending.done(4)
    pending.done(4)
    assert pending.sendable(0) == [4, 4]


def test_a_broker_that_sends_more_than_was_thought_is_never_held_up() -> None:
    pending = Acknowledgements(window=2)
    for packet_id in range(1, 100):
        pending.arrive(packet_id, packet_id * 10)
        pending.done(packet_id)
    pending.sendable(5000)
    pending.arrive(100, 9000)
    assert pending.stalled_ms == 0


def test_counts_how_long_the_window_stood_full() -> None:
    pending = Acknowledgements(window=2)
    pending.arrive(1, 100)
    pending.arrive(2, 150)
    assert pending.stalled_ms == 0
    pending.done(1)
    pending.sendable(400)
    assert pending.stalled_ms == 250
    pending.arrive(3, 500)
    pending.done(2)
    pending.sendable(600)
    assert pending.stalled_ms == 350


def test_what_we_leave_unread_counts_like_a_full_window() -> None:
    pending = Acknowledgements(window=2)
    pending.hold(100, held=True)
    pending.arrive(1, 150)
    pending.arrive(2, 150)
    pending.hold(300, held=False)
    assert pending.stalled_ms == 0  # the window is full still
    pending.done(1)
    pending.sendable(400)
    assert pending.stalled_ms == 300
    pending.hold(500, held=False)
    assert pending.stalled_ms == 300
