"""All that is kept of a sensor that was renamed is found under its new ID, each thing once."""

from typing import Any

import pytest

from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.inputs import Rename
from cabinetwatch.store.records import HOUR_MS, ClosedWeek, Unreadable, UnreadableTotal
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.store.examples import T0, batch, notice, reading, transition
from tests.store.upkeep import cleared, tidied

HOUR = T0 // HOUR_MS * HOUR_MS
RENAMED = [("nas-air", "outlet")]


def config(t: int = T0, **offsets: float) -> Entry:
    """A configuration with these sensors (`_` for `-`), and the NAS that they belong to."""
    sensors = {name.replace("_", "-"): {"offset": offset} for name, offset in offsets.items()}
    first = next(iter(sensors))
    devices = {"nas": {"temperature": first, "ambient": None, "power": [first], "fan": None}}
    return Entry(t, EntryKind.CONFIG, {"config": {"sensors": sensors, "devices": devices}})


def values(store: Store, sensor: str) -> list[float]:
    return [each.value for each, _ in store.readings(sensor)]


def means(store: Store, sensor: str) -> list[float]:
    found = store.buckets(sensor, "value", Tier.MINUTES, T0 - DAY_MS, T0 + 10 * DAY_MS)
    return [each.mean for each in found]


def test_readings_and_tiers_condensed_before_or_after_go_on_in_one_line(
    store: Store, onlooker: Store
) -> None:
    minute = 60_000
    store.commit(batch(config(nas_air=0.5), reading(value=30.0)))
    tidied(store, T0 + HOUR_MS)
    late = T0 + 2 * minute
    store.commit(batch(reading(t=late, value=31.0), advanced_to=late))
    assert means(onlooker, "nas-air") == [30.5, 31.5]

    store.rename(RENAMED)
    after = T0 + 4 * minute
    store.commit(batch(config(after, outlet=0.25), reading("outlet", after, 32.0)))
    for _ in range(2):
        assert values(store, "outlet") == [30.0, 31.0, 32.0]
        assert means(store, "outlet") == means(onlooker, "outlet") == [30.5, 31.5, 32.25]
        assert means(onlooker, "nas-air") == []
        tidied(store, T0 + DAY_MS)
    assert [item.sensor for _, item in store.inputs() if isinstance(item, Reading)] == [
        "nas-air",
        "nas-air",
        "outlet",
    ]
    told = [entry.data["config"] for _, entry in store.entries(EntryKind.CONFIG)]
    assert [set(each["sensors"]) for each in told] == [{"outlet"}, {"outlet"}]
    assert told[0]["devices"]["nas"]["temperature"] == "outlet"
    assert told[0]["devices"]["nas"]["power"] == ["outlet"]


def test_an_id_that_is_free_again_may_be_used_for_another_sensor(store: Store) -> None:
    store.commit(batch(config(nas_air=0.0), reading(value=1.0)))
    store.rename(RENAMED)
    store.commit(batch(config(outlet=0.0, nas_air=0.0), reading("outlet", value=2.0)))
    store.commit(batch(reading("nas-air", value=3.0)))
    assert values(store, "outlet") == [1.0, 2.0]
    assert values(store, "nas-air") == [3.0]
    assert store.sensors() == ["nas-air", "outlet"]
    # And that one may be renamed in its turn, also back and forth.
    store.commit(batch(config(nas_air=0.0)))
    assert store.rename([("nas-air", "inlet")]).due == [("nas-air", "inlet")]
    assert store.rename([("inlet", "nas-air")]).due == [("inlet", "nas-air")]
    assert values(store, "nas-air") == [3.0]
    assert store.sensors() == ["nas-air", "outlet"]


def test_it_is_done_once_and_what_cannot_be_done_is_said(store: Store) -> None:
    assert "nothing is known of a sensor nas-air;" in store.rename(RENAMED).remarks[0]
    store.commit(batch(config(nas_air=0.0, hall=0.0)))
    assert store.rename([("nas-air", "hall")]).due == []
    assert "at the same time" in store.rename([("nas-air", "hall")]).remarks[0]
    assert store.rename(RENAMED) == (RENAMED, [])
    seq = store.last_seq()
    assert store.rename(RENAMED) == ([], [])
    assert "it became outlet" in store.rename([("nas-air", "inlet")]).remarks[0]
    assert store.last_seq() == seq
    assert list(store.renames()) == [Rename(seq, "nas-air", "outlet")]


def test_what_was_only_imported_can_be_renamed(store: Store) -> None:
    store.commit(batch(reading(value=1.0), foreign=True))
    assert store.rename(RENAMED).due == RENAMED
    assert values(store, "outlet") == [1.0]
    assert store.sensors() == ["outlet"]


def test_alarms_and_the_outbox_are_of_the_new_id_with_their_texts_unchanged(store: Store) -> None:
    of_sensor = transition(1, subject="nas-air", condition="silent")
    # A device that had this ID once, before a sensor did.
    of_device = transition(2, subject="nas-air", condition="fan-slow")
    store.commit(
        batch(
            config(nas_air=0.0),
            transitions=[of_sensor, of_device],
            notices=[notice(1, of_sensor, of_device)],
        )
    )
    asked = store.put_command({"command": "service-out", "subject": "nas-air"}, T0)
    store.rename(RENAMED)
    assert [each.subject for each in store.transitions()] == ["outlet", "nas-air"]
    assert [each.subject for each in store.standing()] == ["outlet", "nas-air"]
    assert store.transitions()[0].record() == of_sensor.record() | {"subject": "outlet"}
    ((waiting, _),) = store.waiting()
    assert [each.subject for each in waiting.transitions] == ["outlet", "nas-air"]
    assert waiting.transitions[0].text == of_sensor.text
    assert store.take_commands() == [(asked, {"command": "service-out", "subject": "outlet"})]


def test_counts_of_unreadable_messages_add_up(store: Store) -> None:
    def count(sensor: str, messages: int, run_t: int, at: int) -> Unreadable:
        return Unreadable(sensor, run_t, at, at, messages, "is null")

    store.commit(batch(config(nas_air=0.0), unreadable=[count("nas-air", 3, 1, HOUR)]))
    store.commit(batch(config(outlet=0.0), unreadable=[count("outlet", 4, 2, HOUR + 5)]))
    store.rename(RENAMED)
    assert store.unreadable() == {"outlet": UnreadableTotal(2, 4, 7, HOUR + 5, "is null")}
    assert store.unreadable_between(HOUR, HOUR + HOUR_MS) == {"outlet": 7}


def test_frozen_weeks_name_it_as_it_is_called_now(store: Store) -> None:
    figures: dict[str, Any] = {
        "sensors": [{"id": "nas-air", "gaps": 1}, {"id": "hall", "gaps": 0}],
        "alarms": [{"id": "x", "subject": "nas-air", "condition": "silent", "name": "as then"}],
        "hidden": [],
        "site": "nas-air",
    }
    store.commit(batch(config(nas_air=0.0), weeks=[ClosedWeek("2026-W27", T0, figures)]))
    store.rename(RENAMED)
    closed = store.week("2026-W27")
    assert closed is not None
    assert [each["id"] for each in closed.figures["sensors"]] == ["outlet", "hall"]
    assert closed.figures["alarms"][0]["subject"] == "outlet"
    assert closed.figures["alarms"][0]["name"] == "as then"
    assert closed.figures["site"] == "nas-air"


def test_years_later_the_journal_still_says_so(store: Store) -> None:
    store.commit(batch(config(nas_air=0.0), reading(value=1.0)))
    store.rename(RENAMED)
    store.commit(batch(config(outlet=0.0), reading("outlet", value=2.0)))
    for name in ("inlet", "mouth"):
        store.rename([(list(store.renames())[-1].new, name)])
    late = T0 + 500 * DAY_MS
    store.commit(batch(reading("mouth", late, 3.0), advanced_to=late, state=b"engine"))
    tidied(store, late)
    cleared(store, late, Keeping(DAY_MS, 2 * DAY_MS, 1000 * DAY_MS))
    assert values(store, "mouth") == [3.0]
    assert len(list(store.renames())) == 3
    told = [entry.data["config"]["sensors"] for _, entry in store.entries(EntryKind.CONFIG)]
    assert [set(each) for each in told] == [{"mouth"}] * 2


@pytest.mark.parametrize("data", [{}, {"old": 1, "new": "outlet"}])
def test_a_spoilt_row_of_the_journal_renames_nothing(store: Store, data: dict[str, Any]) -> None:
    store.commit(batch(config(nas_air=0.0), reading(value=1.0), Entry(T0, EntryKind.RENAME, data)))
    assert list(store.renames()) == []
    assert values(store, "nas-air") == [1.0]


@pytest.mark.parametrize("data", [{}, {"sensors": 3, "devices": []}, {"devices": {"nas": 1}}])
def test_a_spoilt_configuration_of_then_ends_no_reader(store: Store, data: dict[str, Any]) -> None:
    spoilt = Entry(T0, EntryKind.CONFIG, {"config": data})
    store.commit(batch(config(nas_air=0.0), spoilt, reading(value=1.0)))
    assert store.rename(RENAMED).due == RENAMED
    assert len(store.entries(EntryKind.CONFIG)) == 2
    assert store.sensors() == ["outlet"]
