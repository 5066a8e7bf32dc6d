"""Transitions, notices, commands, repeats and marks come back as they were written."""

from dataclasses import replace

import pytest

from cabinetwatch.store.records import Notice, Outcome, Repeatable
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Reading
from tests.store.examples import T0, batch, notice, reading, transition

RAISED, NORMAL = AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED


class TestTransitions:
    def test_every_field_comes_back(self, store: Store, onlooker: Store) -> None:
        store.commit(batch(transitions=[transition()]))
        assert onlooker.transitions() == [transition()]

    def test_they_are_found_by_time_by_occurrence_and_as_the_newest(self, store: Store) -> None:
        told = [transition(n, t=T0 + n) for n in range(6)]
        store.commit(batch(transitions=told))
        assert store.transitions(T0 + 2, T0 + 4) == told[2:4]
        assert store.transitions(limit=2) == told[4:]
        assert store.transitions(alarm_id=told[3].id) == [told[3]]

    def test_standing_is_the_last_of_each_alarm_that_is_not_normal(self, store: Store) -> None:
        fan = transition(1, subject="amplifier", condition="fan-slow", t=T0 + 1)
        acknowledged = transition(1, ACKNOWLEDGED, RAISED, t=T0 + 2)
        store.commit(batch(transitions=[transition(1), fan]))
        store.commit(batch(transitions=[acknowledged]))
        assert store.standing() == [fan, acknowledged]
        store.commit(batch(transitions=[transition(1, NORMAL, ACKNOWLEDGED, t=T0 + 3)]))
        assert store.standing() == [fan]
        again = transition(2, t=T0 + 4)
        store.commit(batch(transitions=[again]))
        assert store.standing() == [fan, again]


class TestNotices:
    def test_every_field_comes_back(self, store: Store, onlooker: Store) -> None:
        reply = Notice(
            "n-2", "command", "return", T0 + 1, T0 + 2, (transition(), transition(2)), "<m>", "<r>"
        )
        outcome = Outcome("n-2", "waiting", T0 + 5, 3, "451 greylisted", ("me@cabinet.example",))
        store.commit(batch(notices=[notice(1), reply], outcomes=[outcome]))
        assert onlooker.waiting() == [(notice(1), None), (reply, outcome)]

    @pytest.mark.parametrize("status", ["delivered", "failed", "merged"])
    def test_one_that_is_settled_waits_no_longer_and_is_kept(
        self, store: Store, status: str
    ) -> None:
        store.commit(batch(notices=[notice(1), notice(2)]))
        outcome = Outcome("n-1", status, T0, 1, merged_into="n-2")  # type: ignore[arg-type]
        store.commit(batch(outcomes=[outcome]))
        assert store.waiting() == [(notice(2), None)]
        assert store.notices() == [(notice(1), outcome), (notice(2), None)]

    def test_they_are_found_by_time(self, store: Store) -> None:
        store.commit(batch(notices=[notice(n, utc_ms=T0 + n) for n in range(4)]))
        assert [found.id for found, _ in store.notices(T0 + 1, T0 + 3)] == ["n-1", "n-2"]

    def test_an_answer_that_is_no_text_is_kept_readable(self, store: Store) -> None:
        error = b"554 \xff no".decode("utf-8", "surrogateescape")
        store.commit(batch(notices=[notice()], outcomes=[Outcome("n-1", "failed", T0, 1, error)]))
        ((_, outcome),) = store.notices()
        assert outcome is not None
        assert outcome.error == "554 \\udcff no"

    def test_a_notice_can_not_be_written_twice(self, store: Store) -> None:
        store.commit(batch(notices=[notice()]))
        with pytest.raises(StoreError, match=r"UNIQUE constraint failed: notice\.id"):
            store.commit(batch(reading(), notices=[notice()]))
        assert list(store.inputs()) == []


class TestCommands:
    def test_one_waits_until_a_commit_handles_it(self, store: Store, onlooker: Store) -> None:
        first = onlooker.put_command({"command": "ack", "id": "nas-1"}, T0)
        second = store.put_command({"command": "shelve", "for_s": 7200}, T0)
        assert store.take_commands() == [
            (first, {"command": "ack", "id": "nas-1"}),
            (second, {"command": "shelve", "for_s": 7200}),
        ]
        assert onlooker.command_result(first) is None
        store.commit(batch(handled=[(first, {"ok": False, "text": "no such alarm"})]))
        assert onlooker.command_result(first) == {"ok": False, "text": "no such alarm"}
        assert [row for row, _ in store.take_commands()] == [second]

    def test_one_nobody_put_has_no_result(self, store: Store) -> None:
        assert store.command_result(12345) is None


class TestRepeats:
    def test_the_window_is_that_of_the_last_messages_over_commits(
        self, store: Store, url: str
    ) -> None:
        messages = [Repeatable.of(n, "house/nas", b"21.5") for n in range(1, 8)]
        store.commit(batch(window=messages[:3]))
        store.commit(batch(reading()))
        store.commit(batch(window=messages[3:]))
        assert list(store.window()) == messages
        store.close()
        with Store.open(url) as again:
            again.commit(batch(window=[Repeatable(2, b"newer")]))
            assert list(again.window()) == [*messages, Repeatable(2, b"newer")]

    def test_old_slots_are_overwritten_only_when_the_newer_hold_a_whole_window(
        self, store: Store, url: str
    ) -> None:
        store.close()
        with Store.open(url, window_messages=10) as small:
            for n in range(50):
                small.commit(batch(window=[Repeatable(3 * n + k, b"d") for k in range(1, 4)]))
                kept = [message.packet_id for message in small.window()]
                assert kept == list(range(3 * n + 4 - len(kept), 3 * n + 4))
                assert len(kept) >= min(10, 3 * n + 3)
                assert len(kept) <= 13
        with Store.open(url, window_messages=10) as small:
            small.commit(batch(window=[Repeatable(999, b"d")]))
            kept = [message.packet_id for message in small.window()]
            assert kept[-2:] == [150, 999]

    def test_a_connect_without_a_session_forgets_what_was_before(self, store: Store) -> None:
        lost = Entry(T0, EntryKind.CONNECT, {"session_present": False})
        resumed = Entry(T0, EntryKind.CONNECT, {"session_present": True})
        store.commit(batch(window=[Repeatable(1, b"a")]))
        store.commit(batch(resumed, window=[Repeatable(2, b"b")]))
        assert list(store.window()) == [Repeatable(1, b"a"), Repeatable(2, b"b")]
        store.commit(batch(lost, window=[Repeatable(1, b"c")]))
        assert list(store.window()) == [Repeatable(1, b"c")]
        store.commit(batch(lost))
        assert list(store.window()) == []

    def test_a_new_session_has_the_whole_window_to_itself(self, store: Store, url: str) -> None:
        store.close()
        lost = Entry(T0, EntryKind.CONNECT, {"session_present": False})
        with Store.open(url, window_messages=10) as small:
            small.commit(batch(window=[Repeatable(n, b"old") for n in range(1, 10)]))
            small.commit(batch(lost, window=[Repeatable(1, b"new")]))
            for n in range(2, 12):
                small.commit(batch(window=[Repeatable(n, b"new")]))
            newest = list(small.window())[-10:]
            assert newest == [Repeatable(n, b"new") for n in range(2, 12)]

    def test_topic_payload_and_identifier_all_tell_messages_apart(self) -> None:
        messages = [
            Repeatable.of(1, "a", b"b"),
            Repeatable.of(2, "a", b"b"),
            Repeatable.of(1, "a", b"c"),
            Repeatable.of(1, "c", b"b"),
            Repeatable.of(1, "ab", b""),
        ]
        assert len(set(messages)) == 5
        assert Repeatable.of(1, "a", b"b") == messages[0]


class TestMarks:
    def test_a_new_store_knows_nothing(self, store: Store) -> None:
        assert store.last_t() is None
        assert store.heartbeat() is None
        assert store.offset_ms() is None
        assert store.saved_state() is None
        assert store.last_seq() == 0

    def test_every_commit_is_a_heartbeat_whatever_it_brings(self, store: Store) -> None:
        contents: list[list[Reading | Entry]] = [
            [],
            [reading()],
            [reading(), Entry(T0, EntryKind.STOP)],
            [],
            [reading()] * 2,
        ]
        for n, inputs in enumerate(contents, 1):
            store.commit(batch(*inputs, advanced_to=T0 + 1000 * n, offset_ms=7 * n))
            assert store.last_t() == T0 + 1000 * n
            assert store.offset_ms() == 7 * n
            assert store.heartbeat() == T0 + 1007 * n

    def test_watch_time_never_falls_and_includes_readings_ahead(
        self, store: Store, url: str
    ) -> None:
        store.commit(batch(reading(t=T0 + 50), advanced_to=T0))
        assert store.last_t() == T0 + 50
        store.commit(batch(reading(t=T0 + 1), advanced_to=T0 + 2))
        assert store.last_t() == T0 + 50
        store.close()
        with Store.open(url) as again:
            again.commit(batch(advanced_to=T0 + 3))
            assert again.last_t() == T0 + 50

    def test_the_saved_state_is_the_last_one_after_its_inputs(self, store: Store) -> None:
        store.commit(batch(reading(), reading(), advanced_to=T0 + 1, state=b"first"))
        store.commit(batch(reading(), advanced_to=T0 + 2))
        assert store.saved_state() == (2, T0 + 1, b"first")
        store.commit(batch(reading(), advanced_to=T0 + 3, state=b"second" * 10_000))
        assert store.saved_state() == (4, T0 + 3, b"second" * 10_000)


def test_a_summary_keeps_its_week_and_its_own_recipients(store: Store) -> None:
    summary = replace(
        notice(1), kind="summary", week="2026-W47", recipients=("owner@under-stairs.example",)
    )
    store.commit(batch(notices=[notice(2), summary, replace(summary, id="n-3", week="2026-W48")]))
    assert store.waiting()[1] == (summary, None)
    assert [each.week for each, _ in store.summaries()] == ["2026-W47", "2026-W48"]
    assert [each.week for each, _ in store.summaries(1)] == ["2026-W48"]


def test_what_stood_at_an_instant_is_told_as_it_stood_then(store: Store) -> None:
    back = transition(state=AlarmState.RETURNED, previous=AlarmState.UNACKNOWLEDGED, t=T0 + 1000)
    store.commit(batch(transitions=[transition(), back]))
    assert store.standing(T0) == []
    assert store.standing(T0 + 1000) == [transition()]
    assert store.standing() == store.standing(T0 + 1001) == [back]


def test_an_outcome_of_an_unknown_notice_does_not_hold_up_what_is_written_with_it(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    store.commit(batch(reading(), outcomes=[Outcome("never-written", "delivered", T0)]))
    assert store.last_seq() == 1
    assert "never-written" in caplog.text
