"""What a person asks of a running watch happens, from the command line and over MQTT."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from cabinetwatch.service.daemon import Daemon
from tests.service.site import HALL, NAS, Site
from tests.service.watching import cabinetwatch, wait_until, watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker
from tests.support.hand_clock import HandClock

START_MS = 1_780_000_000_000


def ask(site: Site, daemon: Daemon, command: dict[str, Any]) -> Callable[[], dict[str, Any] | None]:
    """Put a command into the store of a running watch; the result looks for the answer."""
    with site.store() as store:
        row = store.put_command(command, daemon.watch.utc_ms(daemon.watch.now_ms()))

    def answer() -> dict[str, Any] | None:
        with site.store() as store:
            return store.command_result(row)

    return answer


def test_commands_change_the_alarm_of_a_running_watch_within_two_seconds(
    site: Site, cabinet: Wire
) -> None:
    clock = HandClock(START_MS)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        cabinet.publish(HALL, "22")
        alarm = cabinet.heat_nas()["id"]
        steps = [
            ({"command": "ack", "id": alarm}, "acknowledged"),
            ({"command": "shelve", "id": alarm, "for_s": 7200.0, "reason": "fan"}, "shelved"),
            ({"command": "unshelve", "id": alarm}, "acknowledged"),
            ({"command": "service-out", "subject": "nas", "for_s": 60.0}, "out-of-service"),
            ({"command": "service-in", "subject": "nas"}, "acknowledged"),
        ]
        # Two seconds of the watch's, however long the machine takes over them.
        clock.stand_still()
        for command, state in steps:
            heard = len(cabinet.messages)
            asked_ms = daemon.watch.now_ms()
            answer = ask(site, daemon, command)
            clock.let_pass(2)
            cabinet.wait_transition("nas", "over-derating", state, after=heard)
            wait_until(lambda answer=answer: answer() is not None, "an answer")  # type: ignore[misc]
            with site.store() as store:
                moved = store.transitions()
            told = [each for each in moved if each.condition == "over-derating"][-1]
            assert told.state == state
            assert told.t - asked_ms <= 2000
            assert (answer() or {})["ok"] is True


def test_a_shelved_alarm_comes_back_by_itself_when_its_time_is_over(
    site: Site, cabinet: Wire
) -> None:
    site.tables += "[alarms.silent]\nenabled = false\n[alarms.ambient-lost]\nenabled = false\n"
    clock = HandClock(START_MS)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        ask(site, daemon, {"command": "shelve", "id": alarm, "for_s": 60.0, "reason": "fan"})
        cabinet.wait_transition("nas", "over-derating", "shelved")
        heard = len(cabinet.messages)
        clock.let_pass(60)
        cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)

    with site.store() as store:
        _, shelved, back = store.transitions()
    assert back.t - shelved.t == 60_000


def test_a_command_that_cannot_be_carried_out_is_answered_and_harmless(
    site: Site, cabinet: Wire
) -> None:
    with watching(site.config()) as daemon:
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        commands: list[dict[str, Any]] = [
            {"command": "shelve", "id": alarm},
            {"command": "shelve", "id": alarm, "for_s": "long"},
            {"command": "shelve", "id": alarm, "for_s": -5},
            {"command": "shelve", "id": alarm, "for_s": 1e300},
            {"command": "shelve", "id": alarm, "for_s": float("nan")},
            {"command": "service-out", "subject": "nas", "for_s": []},
            {"command": "service-out", "subject": ["nas"]},
            {"command": "dance"},
            {"id": alarm},
            {},
        ]
        answers = [ask(site, daemon, command) for command in commands]
        wait_until(lambda: all(answer() is not None for answer in answers), "answers")

    assert [(answer() or {})["ok"] for answer in answers] == [False] * len(commands)
    assert len(cabinet.transitions()) == 1


def test_the_command_line_changes_the_alarms_of_a_running_watch(site: Site, cabinet: Wire) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(HALL, "22")
        alarm = cabinet.heat_nas()["id"]
        for arguments, state in (
            (("ack", alarm), "acknowledged"),
            (("shelve", alarm, "--for", "2h", "--reason", "fan ordered"), "shelved"),
            (("unshelve", alarm), "acknowledged"),
            (("service", "nas", "out", "--for", "4h", "--reason", "new fan"), "out-of-service"),
            (("service", "nas", "in"), "acknowledged"),
        ):
            heard = len(cabinet.messages)
            done = cabinetwatch(site.path, *arguments)
            assert done.returncode == 0, done.stderr
            cabinet.wait_transition("nas", "over-derating", state, after=heard)


def test_what_is_asked_while_nothing_runs_happens_at_the_next_start(
    site: Site, cabinet: Wire
) -> None:
    with watching(site.config()) as daemon:
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
    ask(site, daemon, {"command": "ack", "id": alarm})
    with watching(site.config()):
        cabinet.wait_transition("nas", "over-derating", "acknowledged")


# Over MQTT.

COMMAND = "cabinetwatch/command"


def shelve(alarm: str, **changes: Any) -> str:
    """A good command to shelve an alarm, with changes."""
    good = {"command": "shelve", "id": alarm, "for": "2h", "reason": "fan", "by": "somebody"}
    return json.dumps(good | changes)


def test_well_formed_commands_over_mqtt_act_and_keep_the_claimed_name(
    site: Site, cabinet: Wire
) -> None:
    site.commands = True
    with watching(site.config()):
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        cabinet.publish(COMMAND, json.dumps({"command": "ack", "id": alarm, "by": "somebody"}))
        acknowledged = cabinet.wait_transition("nas", "over-derating", "acknowledged")
        cabinet.publish(COMMAND, shelve(alarm))
        shelved = cabinet.wait_transition("nas", "over-derating", "shelved")

    assert "by somebody" in acknowledged["text"]
    assert "by somebody" in shelved["text"]


def test_commands_over_mqtt_do_nothing_unless_switched_on(site: Site, cabinet: Wire) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        cabinet.publish(COMMAND, shelve(alarm))
        # What is published after it has been judged, so the command would have been.
        cabinet.publish(NAS, "40")
        cabinet.wait_transition("nas", "over-derating", "returned")

    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged", "returned"]


def test_a_bad_command_over_mqtt_does_nothing_and_is_acknowledged(
    site: Site, cabinet: Wire, broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    site.commands = True
    with watching(site.config()):
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        for payload in (
            b"\xff\xfe",
            "",
            "null",
            "[]",
            "shelve everything",
            '{"command": "shelve"}',
            json.dumps({"command": "dance", "id": alarm}),
            shelve(alarm, **{"for": "for ever"}),
            shelve(alarm, **{"for": "31d"}),
            shelve(alarm, **{"for": "-2h"}),
            shelve(alarm, **{"for": 7200}),
            shelve(alarm, extra=1),
            shelve(alarm, reason="\x1b[2J\r\nBcc: x" * 200),
            shelve("no-such-alarm"),
            shelve(alarm, reason="x" * 1000),
            shelve(alarm, reason=" "),
            '{"a":' * 150 + "1" + "}" * 150,
        ):
            cabinet.publish(COMMAND, payload)
        cabinet.publish(NAS, "40")
        cabinet.wait_transition("nas", "over-derating", "returned")

    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged", "returned"]
    assert "\x1b" not in caplog.text
    # All were acknowledged: the broker has nothing left to send again.
    wait_until(lambda: _acknowledged(broker.log), "every acknowledgement")


def _acknowledged(log: str) -> bool:
    sent = len(re.findall(r"Sending PUBLISH to cabinetwatch\w* \(d0, q1", log))
    return log.count("Received PUBACK from cabinetwatch") == sent > 0


def test_a_retained_command_does_nothing_however_often_the_watch_starts(
    site: Site, cabinet: Wire, caplog: pytest.LogCaptureFixture
) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        cabinet.publish(COMMAND, shelve(alarm), retain=True)
    site.commands = True
    for _ in range(2):
        heard = cabinet.mark()
        with watching(site.config()):
            cabinet.wait_online(after=heard)
            cabinet.publish(NAS, "55")
            wait_until(lambda: "a retained message" in caplog.text, "the command to come")
        caplog.clear()

    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged"]


def test_more_commands_than_thirty_a_minute_are_passed_over(
    site: Site, cabinet: Wire, broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    site.commands = True
    with watching(site.config()):
        cabinet.wait_online()
        alarm = cabinet.heat_nas()["id"]
        for _ in range(30):
            cabinet.publish(COMMAND, shelve("no-such-alarm"))
        cabinet.publish(COMMAND, shelve(alarm))
        cabinet.publish(NAS, "40")
        cabinet.wait_transition("nas", "over-derating", "returned")

    assert "passed over" in caplog.text
    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged", "returned"]
    assert retained(broker.port)["cabinetwatch/alarm/nas/over-derating"].data["state"] == "returned"
