"""The page's pictures against the formula that its data was generated from, and their marks."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cabinetwatch.report import charts
from cabinetwatch.report.charts import alarm_marks, curve_of, draw_charts
from cabinetwatch.report.page import CHARTS, MANIFEST, SPANS, chart_name
from cabinetwatch.report.words import LogEntry, entries_about, operator_log
from cabinetwatch.store.codecs import Bucket, Tier
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind
from tests.support.fortnight import transition
from tests.support.house import DAY_MS, House, build, temperature_c, threshold_c

END_MS = 1_782_907_380_000
MINUTE_MS = 60_000


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> House:
    return build(tmp_path_factory.mktemp("old"), END_MS, devices=2, days=2)


@pytest.mark.parametrize(
    ("tier", "span_ms", "step_ms"),
    [
        (Tier.MINUTES, DAY_MS, 10 * MINUTE_MS),
        (Tier.QUARTERS, DAY_MS, 60 * MINUTE_MS),
        (Tier.QUARTERS, 2 * DAY_MS, DAY_MS // 4),
    ],
)
def test_curves_are_the_formula_averaged(
    old: House, tier: Tier, span_ms: int, step_ms: int
) -> None:
    start = END_MS - span_ms
    with Store.open(old.url, read_only=True) as store:
        buckets = store.buckets("gear-1", "temperature_c", tier, start, END_MS)
    curve = curve_of(buckets, start, step_ms)
    known = np.isfinite(curve.mean)
    assert known.sum() >= span_ms // step_ms - 2
    # The first and last stretch may be cut by the ends of the record.
    rows = list(zip(*(column[known] for column in curve), strict=True))
    for utc_ms, mean, low, high in rows[1:-1]:
        start = round(utc_ms - step_ms / 2)
        truth = [temperature_c(1, t) for t in range(start, start + step_ms, MINUTE_MS)]
        assert mean == pytest.approx(math.fsum(truth) / len(truth), abs=0.02)
        assert low == pytest.approx(min(truth) - 0.2, abs=0.02)
        assert high == pytest.approx(max(truth) + 0.2, abs=0.02)


def test_a_missing_stretch_breaks_the_curve_and_means_are_weighted_by_samples() -> None:
    buckets = [Bucket(n * MINUTE_MS, 6, 1.0, 1.0, 1.0) for n in (0, 1, 2, 5, 6)]
    curve = curve_of(buckets, 0, MINUTE_MS)
    assert list(np.isnan(curve.mean)) == [False, False, False, True, False, False]
    assert not curve_of([], 0, MINUTE_MS).known
    assert not curve_of(buckets, DAY_MS, MINUTE_MS).known
    buckets = [Bucket(0, 1, 10.0, 10.0, 10.0), Bucket(MINUTE_MS, 3, 20.0, 19.0, 22.0)]
    curve = curve_of(buckets, 0, 2 * MINUTE_MS)
    assert (curve.mean[0], curve.low[0], curve.high[0]) == (17.5, 10.0, 22.0)


def test_only_what_is_out_of_date_is_drawn_again_and_is_told_with_the_formulas_extremes(
    old: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # When, and with which words: that is not what takes time.
    monkeypatch.setattr(charts, "draw_svg", lambda _: "<svg/>")

    def drawn(now_utc_ms: int) -> set[str]:
        before = {path: path.stat().st_mtime_ns for path in (tmp_path / CHARTS).glob("*.svg")}
        with Store.open(old.url, read_only=True) as store:
            draw_charts(store, old.config, tmp_path, now_utc_ms)
        after = {path: path.stat().st_mtime_ns for path in (tmp_path / CHARTS).glob("gear-0*.svg")}
        return {path.stem[7:] for path, time in after.items() if before.get(path) != time}

    assert drawn(END_MS) == {"6h", "24h", "7d", "90d"}
    listed = json.loads((tmp_path / MANIFEST).read_text())
    assert set(listed) == {chart_name(f"gear-{n}", span) for n in (0, 1) for span in SPANS}
    # Minutes go up to the last whole quarter of an hour.
    until = END_MS - END_MS % 900_000 - 900_000
    first = -(-(END_MS - DAY_MS) // MINUTE_MS) * MINUTE_MS
    truth = [temperature_c(1, t) for t in range(first, until, MINUTE_MS)]
    said = listed["gear-1-24h.svg"]["description"]
    assert f"Temperature from {min(truth) - 0.2:.1f} to {max(truth) + 0.2:.1f} °C" in said
    assert f"Threshold {threshold_c(1):.1f} °C" in said

    assert drawn(END_MS + 300_000) == {"6h", "24h"}
    assert drawn(END_MS + 1_900_000) == {"6h", "24h", "7d"}
    # A clock that was set back is no reason to keep a picture of the future.
    assert drawn(END_MS - DAY_MS) == {"6h", "24h", "7d", "90d"}


@pytest.mark.parametrize(
    ("away", "spans"),
    [("suppressed", [(0, None)]), ("shelved", [(0, 90), (90, None)])],
)
def test_an_alarm_is_marked_from_its_first_sign_on_unless_somebody_put_it_away(
    away: str, spans: list[tuple[int, int | None]]
) -> None:
    since = {"since": to_rfc3339(END_MS)}
    seen, hidden = AlarmState("unacknowledged"), AlarmState(away)
    steps = ((60, seen, "normal"), (90, hidden, "unacknowledged"), (120, seen, away))
    told = [
        replace(transition("a", END_MS + at, state, AlarmState(previous)), values=since)
        for at, state, previous in steps
    ]
    marks = alarm_marks(told, {"nas"}, 0)
    assert [
        (mark.from_utc_ms - END_MS, None if mark.to_utc_ms is None else mark.to_utc_ms - END_MS)
        for mark in marks
    ] == spans
    # Nor does it hang on where the record begins.
    assert [mark.from_utc_ms for mark in alarm_marks(told[1:], {"nas"}, 0)] == [END_MS]


def test_an_alarm_is_marked_from_its_raise_to_its_return() -> None:
    steps = [
        ("a", 100, "unacknowledged", "normal", "nas"),
        ("a", 200, "acknowledged", "unacknowledged", "nas"),
        ("b", 250, "unacknowledged", "normal", "nas-fan"),
        ("c", 260, "suppressed", "normal", "nas"),
        ("d", 270, "unacknowledged", "normal", "other"),
        ("a", 300, "normal", "acknowledged", "nas"),
    ]
    told = [
        transition(alarm_id, t, AlarmState(state), AlarmState(previous), subject=subject)
        for alarm_id, t, state, previous, subject in steps
    ]
    marks = alarm_marks(told, {"nas", "nas-fan"}, 0)
    assert [(mark.from_utc_ms, mark.to_utc_ms) for mark in marks] == [(100, 300), (250, None)]
    # What was over before the picture begins is not on it; what still stands is.
    assert [mark.from_utc_ms for mark in alarm_marks(told, {"nas", "nas-fan"}, 301)] == [250]


def test_what_people_did_is_noted_at_its_time_of_its_device_and_only_if_it_was_not_refused(
    tmp_path: Path,
) -> None:
    told: list[dict[str, Any]] = [
        {"command": "trial-phase", "trial": "slow", "phase": "before"},
        {"command": "trial-begin", "trial": "slow", "device": "gear-1", "change": "fan at 7 V"},
        {"command": "trial-phase", "trial": "slow", "phase": "after"},
        {"command": "trial-phase", "trial": "slow", "phase": "before"},
        {"command": "note", "text": "dusted", "at": to_rfc3339(END_MS + 500)},
        {"command": "service-out", "subject": "gear-0", "reason": "fan\x1b[2J", "by": "owner"},
        {"command": "ack", "id": "x"},
    ]
    inputs: list[Any] = [
        Entry(END_MS + 1000 * number, EntryKind.COMMAND, command)
        for number, command in enumerate(told, 1)
    ]
    with Store.open(build(tmp_path, END_MS, devices=2, days=0).url) as store:
        store.commit(Batch(END_MS + 9000, 0, inputs=inputs))
        log = operator_log(store)
    # The watch refused two of the phases; a note may tell of what was done before.
    assert log == [
        LogEntry(END_MS + 500, None, "dusted"),
        LogEntry(END_MS + 4000, "gear-1", "trial slow: before"),
        LogEntry(END_MS + 6000, "gear-0", r"gear-0 taken out of service: fan\x1b[2J"),
    ]
    assert entries_about({"gear-0"}, log, END_MS, END_MS + 6001) == [log[0], log[2]]
    assert entries_about({"gear-1"}, log, END_MS + 501, END_MS + 4001) == log[1:2]
    assert entries_about({"gear-1"}, log, END_MS + 501, END_MS + 4000) == []
