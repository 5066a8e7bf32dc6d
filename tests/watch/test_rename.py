"""A sensor under another ID goes on as it was: nothing is told, and nothing is forgotten."""

from typing import Any

from cabinetwatch.text import plain
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import EntryKind
from tests.watch.scene import CABINET, MINUTE, Scene, make_config, moves

NEW = CABINET.replace("nas-air", "a-nas")
HIGH = """
[sensors.nas-air.alarms.high]
priority = "high"
"""
LIMITED = CABINET.replace("[sensors.nas-air]", "[sensors.nas-air]\nhigh = 45.0")


def lived(config_text: str) -> Scene:
    """An hour in which the NAS learns, then gets hot."""
    scene = Scene(make_config(config_text))
    nas = "a_nas" if "a-nas" in config_text else "nas_air"
    calm = {"hall": 21.0, nas: 35.0, "nas_power": 40.0, "nas_fan": 1500.0, "switch_air": 40.0}
    scene.lives(60 * MINUTE, **calm)
    scene.lives(5 * MINUTE, **(calm | {nas: 48.0}))
    return scene


def without_ids(state: dict[str, Any]) -> dict[str, Any]:
    """The IDs of alarms are made of the subject that they had when they were raised."""
    alarms = {
        key: each | {"id": bool(each["id"]), "incident": bool(each["incident"])}
        for key, each in state["alarms"].items()
    }
    incidents = [each | {"id": ""} for each in state["incidents"]["open"]]
    return state | {"alarms": alarms, "incidents": incidents}


def test_the_whole_state_is_that_of_a_sensor_that_always_had_its_new_id() -> None:
    before, always = lived(LIMITED + HIGH), lived((LIMITED + HIGH).replace("nas-air", "a-nas"))
    standing = before.engine.alarms["nas-air/high"]
    assert (standing.state, bool(standing.id)) == ("unacknowledged", True)

    assert before.tell(EntryKind.RENAME, old="nas-air", new="a-nas") == []
    assert without_ids(before.engine.save()) == without_ids(always.engine.save())
    renamed = before.engine.alarms["a-nas/high"]
    assert (renamed.id, renamed.since_t) == (standing.id, standing.since_t)
    assert renamed.condition.priority == "high"

    # What the device has learnt is not begun anew by the configuration that follows either.
    days = before.engine.model.devices["nas"].observer.learning.days
    assert days > 0
    text = (LIMITED + HIGH).replace("nas-air", "a-nas")
    text = text.replace("[sensors.a-nas]", '[sensors.a-nas]\nrenamed_from = "nas-air"', 1)
    assert before.engine.configure(make_config(text), before.t) == []
    assert before.engine.model.devices["nas"].observer.learning.days == days
    told = before.lives(3 * MINUTE, a_nas=35.0)
    assert ("a-nas", "high", "unacknowledged", "returned") in moves(told)
    assert standing.id in {each.id for each in told}


def test_readings_that_wait_and_a_way_back_know_the_new_id() -> None:
    scene = lived(LIMITED)
    scene.tell(EntryKind.RENAME, old="nas-air", new="a-nas")
    loaded = Engine(scene.engine.config)
    loaded.load(scene.engine.save())
    assert loaded.save() == scene.engine.save()
    scene.engine._go_back(scene.t)
    assert scene.engine.save() == loaded.save()


def test_a_rename_of_what_is_not_there_and_a_spoilt_one_change_nothing() -> None:
    scene = lived(LIMITED)
    before = scene.engine.save()
    for old, new in (("nobody", "a-nas"), ("nas-air", "hall")):
        assert scene.tell(EntryKind.RENAME, old=old, new=new) == []
        assert scene.engine.save() == before
    scene.tell(EntryKind.RENAME, old="nas-air")
    assert scene.engine.refused[-1].subject == "an entry of the journal (rename)"
    assert set(scene.engine.model.sensors) == set(before["sensors"])


def test_people_read_names_and_programs_ids() -> None:
    names = {"hall": "Hall at the stairs", "nas-air": "NAS outlet"}
    text = LIMITED
    for sensor, name in names.items():
        text = text.replace(f"[sensors.{sensor}]", f'[sensors.{sensor}]\nname = "{name}"')
    scene = lived(text)
    (high,) = [each for each in scene.told if each.condition == "high"]
    assert high.subject == "nas-air"
    assert plain(high.text).startswith("NAS outlet reads 48.0 °C")
    told = scene.passes(30 * MINUTE)
    (lost,) = [each for each in told if (each.subject, each.condition) == ("nas", "ambient-lost")]
    assert "the sensor of the surrounding air, Hall at the stairs, is silent" in lost.text
    assert lost.values["ambient_sensor"] == "hall"
    silent = [each.text for each in told if each.condition == "silent"]
    assert any(text.startswith("NAS outlet has fallen silent") for text in silent)
    assert not any("nas-air" in each.text for each in scene.told)
