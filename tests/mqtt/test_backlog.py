"""What a resumed session delivers in a burst, told from what is measured now."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.mqtt.backlog import Backlog, Released
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.watch.events import Quality, Reading

RECONNECT = 1_000_000
LAST_LIVE = RECONNECT - 60_000


def made(
    interval_s: float = 10.0, last_live_t: int | None = LAST_LIVE, window: int = 100
) -> Backlog:
    """A backlog for the sensor `air`, just reconnected with its session."""
    known = {} if last_live_t is None else {"air": last_live_t}
    backlog = Backlog({"air": interval_s, "fan": interval_s}, known)
    backlog.connected(RECONNECT, session_present=True, window=window)
    return backlog


def at(t: int, packet_id: int = 1, *, retain: bool = False, stalled_ms: int = 0) -> Incoming:
    return Incoming(1, packet_id, "cabinet/air", b"", 1, False, retain, t, True, stalled_ms)


def take(backlog: Backlog, t: int, value: float, **options: Any) -> Released:
    return backlog.take(at(t, **options), [("air", value)])


def test_a_burst_is_spread_evenly_from_the_last_live_reading_to_the_reconnect() -> None:
    backlog = made()
    for number in range(6):
        assert take(backlog, RECONNECT + 10 + number, number, packet_id=number + 1) == ([], [])
    due_t = backlog.deadline()
    assert due_t is not None
    assert backlog.due(due_t - 1) == ([], [])
    released = backlog.due(due_t)
    assert released.readings == [
        Reading("air", LAST_LIVE + 10_000 * (number + 1), number, Quality.BACKLOG)
        for number in range(6)
    ]
    assert released.readings[-1].t == RECONNECT
    assert [message.packet_id for message in released.messages] == [1, 2, 3, 4, 5, 6]
    assert backlog.deadline() is None


def test_the_first_reading_after_a_pause_is_live_and_ends_the_burst() -> None:
    backlog = made()
    take(backlog, RECONNECT + 10, 1)
    released = take(backlog, RECONNECT + 2000, 2)
    assert [(r.value, r.quality) for r in released.readings] == [
        (1, Quality.BACKLOG),
        (2, Quality.LIVE),
    ]
    assert len(released.messages) == 2
    released = take(backlog, RECONNECT + 2001, 3)
    assert released.readings == [Reading("air", RECONNECT + 2001, 3, Quality.LIVE)]


def test_one_message_right_after_the_reconnect_is_backlog_too() -> None:
    """It waited at the broker, or came by chance in that tenth of an interval; nobody knows."""
    backlog = made()
    take(backlog, RECONNECT + 5, 1)
    (reading,) = backlog.due(RECONNECT + 5_000).readings
    assert reading == Reading("air", RECONNECT, 1, Quality.BACKLOG)


def test_a_reading_a_tenth_of_the_interval_after_the_reconnect_is_live_at_once() -> None:
    released = take(made(), RECONNECT + 1000, 1)
    assert released.readings == [Reading("air", RECONNECT + 1000, 1, Quality.LIVE)]


def test_without_a_kept_session_there_is_no_backlog() -> None:
    backlog = Backlog({"air": 10.0}, {"air": LAST_LIVE})
    backlog.connected(RECONNECT, session_present=False, window=100)
    assert take(backlog, RECONNECT + 1, 1).readings[0].quality is Quality.LIVE


def test_a_retained_message_is_none_of_the_backlog() -> None:
    released = made().take(at(RECONNECT + 1, retain=True), [("air", 1.0)])
    assert released.readings == [Reading("air", RECONNECT + 1, 1.0, Quality.RETAINED)]


def test_what_lasts_longer_than_the_outage_was_live_after_all() -> None:
    """A sensor that speaks ten times as often as was configured, after a blink of the line."""
    backlog = made(last_live_t=RECONNECT - 300)
    for number in range(3):
        assert take(backlog, RECONNECT + 100 * (number + 1), number).readings == []
    released = take(backlog, RECONNECT + 400, 3)
    assert [(r.t - RECONNECT, r.quality) for r in released.readings] == [
        (100, Quality.LIVE),
        (200, Quality.LIVE),
        (300, Quality.LIVE),
        (400, Quality.LIVE),
    ]


def test_an_outage_of_a_night_does_not_blind_us_for_another() -> None:
    """A backlog with gaps under a tenth of the interval is over in a tenth of the outage."""
    night_ms = 8 * 3600 * 1000
    backlog = made(last_live_t=RECONNECT - night_ms, window=10**9)
    t = RECONNECT
    while take(backlog, t, 1).readings == []:
        t += 900
    assert t - RECONNECT <= night_ms / 10 + 1000


def test_a_window_that_stands_full_does_not_end_a_burst() -> None:
    """The broker could not send: the time it was held up counts for nothing."""
    backlog = made(interval_s=2.0)
    take(backlog, RECONNECT + 10, 1)
    backlog.due(RECONNECT + 400)
    released = take(backlog, RECONNECT + 900, 2, stalled_ms=850)
    assert released.readings == []
    (reading,) = backlog.due(RECONNECT + 1200).readings
    assert reading.quality is Quality.BACKLOG
    assert reading.t == RECONNECT


def test_half_a_window_held_back_is_let_go_so_that_the_broker_can_go_on() -> None:
    backlog = made(window=8)
    released = Released([], [])
    for number in range(4):
        released = take(backlog, RECONNECT + 10 + number, number)
    assert [r.t for r in released.readings] == [
        LAST_LIVE + 10_000 * (number + 1) for number in range(4)
    ]
    assert len(released.messages) == 4
    take(backlog, RECONNECT + 20, 4)
    (last,) = backlog.due(RECONNECT + 5000).readings
    assert last.t == RECONNECT


def test_a_message_is_done_when_its_last_reading_is() -> None:
    backlog = Backlog({"air": 10.0, "fan": 1.0}, {"air": LAST_LIVE, "fan": LAST_LIVE})
    backlog.connected(RECONNECT, session_present=True, window=100)
    message = at(RECONNECT + 50)
    assert backlog.take(message, [("air", 1.0), ("fan", 2.0)]) == ([], [])
    first = backlog.due(RECONNECT + 200)
    assert [reading.sensor for reading in first.readings] == ["fan"]
    assert first.messages == []
    second = backlog.due(RECONNECT + 2000)
    assert [reading.sensor for reading in second.readings] == ["air"]
    assert second.messages == [message]


def test_a_message_without_values_is_done_at_once() -> None:
    message = at(RECONNECT + 1)
    assert made().take(message, []) == ([], [message])


def test_a_lost_connection_lets_go_what_is_held() -> None:
    backlog = made()
    take(backlog, RECONNECT + 10, 1)
    released = backlog.disconnected()
    assert [reading.quality for reading in released.readings] == [Quality.BACKLOG]
    assert len(released.messages) == 1


def test_nothing_known_from_before_dates_the_backlog_at_the_reconnect() -> None:
    backlog = made(last_live_t=None)
    take(backlog, RECONNECT + 10, 1)
    take(backlog, RECONNECT + 11, 2)
    assert {reading.t for reading in backlog.due(RECONNECT + 5000).readings} == {RECONNECT}


@given(
    st.lists(st.tuples(st.sampled_from(["air", "fan"]), st.integers(0, 3000)), max_size=60),
    st.integers(1, 40),
)
def test_every_reading_and_every_message_comes_out_once(
    arrivals: list[tuple[str, int]], window: int
) -> None:
    backlog = made(window=window)
    t, out = RECONNECT, Released([], [])

    def collect(released: Released) -> None:
        out.readings.extend(released.readings)
        out.messages.extend(released.messages)

    for number, (sensor, gap_ms) in enumerate(arrivals, 1):
        t += gap_ms
        collect(backlog.due(t))
        collect(backlog.take(at(t, number), [(sensor, float(number))]))
    collect(backlog.disconnected())
    assert sorted(reading.value for reading in out.readings) == [
        float(number) for number in range(1, len(arrivals) + 1)
    ]
    assert sorted(m.packet_id for m in out.messages) == list(range(1, len(arrivals) + 1))
    for sensor in ("air", "fan"):
        mine = [reading for reading in out.readings if reading.sensor == sensor]
        assert [r.value for r in mine] == sorted(r.value for r in mine)
        assert [r.t for r in mine] == sorted(r.t for r in mine)
