"""clock-step: told once, over at once, and nothing else is moved by it."""

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.events import EntryKind
from tests.watch.scene import Scene, make_config, moves


@pytest.mark.parametrize(
    ("offset_ms", "text"),
    [(3_600_000, "put forward by 1 h;"), (-90_000, "put back by 1 min 30 s;")],
)
def test_a_step_of_over_a_minute_is_told_and_returns_at_once(offset_ms: int, text: str) -> None:
    scene = Scene()
    told = scene.tell(EntryKind.OFFSET, offset_ms=offset_ms)
    assert moves(told) == [
        ("site", "clock-step", "normal", "unacknowledged"),
        ("site", "clock-step", "unacknowledged", "normal"),
    ]
    assert told[0].id == told[1].id
    assert text in plain(told[0].text)
    assert told[0].priority == "low"
    assert told[0].values["step_s"] == offset_ms / 1000
    assert "Nothing, if the machine has just started" in told[0].response


def test_a_small_step_is_none_and_steps_are_counted_from_where_the_clock_was() -> None:
    scene = Scene()
    assert scene.tell(EntryKind.OFFSET, offset_ms=59_000) == []
    assert scene.tell(EntryKind.OFFSET, offset_ms=118_000) == []
    assert scene.tell(EntryKind.OFFSET, offset_ms=179_000) != []


def test_what_is_worth_telling_can_be_set() -> None:
    scene = Scene(make_config(extra="[alarms.clock-step]\nlarger_than_s = 10.0\n"))
    assert scene.tell(EntryKind.OFFSET, offset_ms=11_000) != []
