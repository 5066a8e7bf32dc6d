"""The tiers say what the readings said: each counted once, whatever happens in between."""

import math
import statistics as independent
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select, update

from cabinetwatch.store import codecs, schema, upkeep
from cabinetwatch.store.codecs import (
    DAY_MS,
    Bucket,
    FigureMinute,
    Statistics,
    Tier,
    condense,
    statistics,
)
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Now
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from tests.store.examples import T0, batch, reading, start
from tests.store.upkeep import MINUTE_MS, commit_all, steady, tidied
from tests.support.empty_store import put_empty_store
from tests.support.forked import speaking

ALL = (0, 10**14)
TIDY_UNTIL_KILLED = """
import sys
from cabinetwatch.store.upkeep import Now
from cabinetwatch.store.store import Store
with Store.open(sys.argv[1]) as store:
    print("begun", flush=True)
    for step in store.tidy(Now(int(sys.argv[2]), int(sys.argv[2]))):
        print("step", flush=True)
"""

told = st.builds(
    Reading,
    st.sampled_from(["nas-air", "room"]),
    st.integers(T0, T0 + 3 * 3_600_000) | st.integers(T0 - 3 * DAY_MS, T0 + 3 * DAY_MS),
    st.integers(-4000, 9000).map(lambda n: n / 100) | st.floats(allow_nan=True),
    st.sampled_from(Quality),
)
offsets = st.builds(
    lambda offset: Entry(
        T0, EntryKind.CONFIG, {"config": {"sensors": {"nas-air": {"offset": offset}}}}
    ),
    st.sampled_from([-0.4, 0.0, 1.25]),
)
# What happens to a store: commits, upkeep, and the process beginning anew.
events = st.lists(
    st.lists(told | offsets, max_size=12)
    | st.sampled_from(["tidy", "tidy later", "half", "open anew"]),
    max_size=14,
)


def truth(
    inputs: list[Reading | Entry], sensor: str, width_ms: int, offset_ms: int
) -> dict[int, list[float]]:
    """Condense in the plainest way: every corrected value in a list of its stretch."""
    correction = 0.0
    found: dict[int, list[float]] = defaultdict(list)
    for item in inputs:
        if isinstance(item, Entry):
            correction = item.data["config"]["sensors"]["nas-air"]["offset"]
        elif item.sensor == sensor and item.quality is not Quality.RETAINED:
            value = item.value + (correction if sensor == "nas-air" else 0.0)
            if math.isfinite(value) and abs(value) < 1e11:
                found[(item.t + offset_ms) // width_ms * width_ms].append(value)
    return found


def assert_same(buckets: list[Bucket], expected: dict[int, list[float]]) -> None:
    assert [bucket.utc_ms for bucket in buckets] == sorted(expected)
    for bucket in buckets:
        values = expected[bucket.utc_ms]
        assert bucket.samples == len(values)
        # Kept to 0.001; merged at most a few times here.
        assert bucket.mean == pytest.approx(independent.fmean(values), abs=0.003, rel=1e-9)
        assert bucket.minimum == pytest.approx(min(values), abs=0.0011, rel=1e-9)
        assert bucket.maximum == pytest.approx(max(values), abs=0.0011, rel=1e-9)


@settings(max_examples=settings().max_examples // 5)
@given(events=events, offset_ms=st.sampled_from([0, 12_345]))
def test_minutes_and_quarters_equal_an_independent_sum_of_the_readings_whatever_happens(
    events: list[list[Reading | Entry] | str], offset_ms: int
) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "cabinet.db"
        put_empty_store(path)
        committed: list[Reading | Entry] = []
        store = Store.open(database_url(path))
        with Store.open(database_url(path), read_only=True) as onlooker:
            for event in events:
                if isinstance(event, list):
                    store.commit(batch(*event, offset_ms=offset_ms))
                    committed += event
                elif event == "open anew":
                    store.close()
                    store = Store.open(database_url(path))
                elif event == "half":
                    next(store.tidy(Now(T0, T0)))  # and never the rest: as a kill would leave it
                else:
                    tidied(store, T0 if event == "tidy" else T0 + 5 * DAY_MS)
                for sensor in ("nas-air", "room"):
                    for tier in Tier:
                        found = onlooker.buckets(sensor, "value", tier, *ALL)
                        assert_same(found, truth(committed, sensor, tier.width_ms, offset_ms))
        store.close()


def test_a_process_killed_amid_the_upkeep_leaves_each_reading_counted_once(url: str) -> None:
    readings = list(steady(4.0, every_ms=20_000, t0=T0))
    with Store.open(url) as store:
        commit_all(store, readings, at_once=400)
    for steps in (1, 4):
        with speaking("-c", TIDY_UNTIL_KILLED, url, str(T0 + 10 * DAY_MS)) as (child, said):
            for _ in range(steps):
                assert said.readline()
            child.kill()
        with Store.open(url, read_only=True) as store:
            for tier in Tier:
                found = store.buckets("nas-air", "value", tier, *ALL)
                assert sum(bucket.samples for bucket in found) == len(readings)
    with Store.open(url) as store:
        tidied(store, T0 + 10 * DAY_MS)
        found = store.buckets("nas-air", "value", Tier.MINUTES, *ALL)
        assert_same(found, truth(list(readings), "nas-air", MINUTE_MS, 0))


def rows(store: Store, table: str) -> int:
    with store._database.reading() as connection:
        count = select(func.count()).select_from(schema.metadata.tables[table])
        return connection.scalar(count) or 0


def test_a_day_that_is_over_becomes_one_row_a_subject(store: Store) -> None:
    midnight = T0 - T0 % DAY_MS
    for n, item in enumerate(steady(2.0, t0=midnight)):
        store.commit(batch(item, advanced_to=item.t))
        if n % 12 == 11:
            tidied(store, item.t)
    assert rows(store, "minute_block") > 3
    tidied(store, midnight + 2 * DAY_MS + 3_600_000)  # too early for the second day
    assert rows(store, "minute_block") > 3
    tidied(store, midnight + 2 * DAY_MS + 2 * 3_600_000)
    assert rows(store, "minute_block") == 2
    assert rows(store, "quarter_block") == 2
    assert len(store.buckets("nas-air", "value", Tier.MINUTES, *ALL)) == 288


def test_what_comes_late_to_a_day_that_was_merged_is_merged_into_it(store: Store) -> None:
    store.commit(batch(reading(value=20.0)))
    tidied(store, T0 + 2 * DAY_MS)
    late = Reading("nas-air", T0 + 1000, 23.0, Quality.LATE)
    store.commit(batch(late, advanced_to=T0 + 2 * DAY_MS))
    tidied(store, T0 + 2 * DAY_MS)
    assert rows(store, "minute_block") == 1
    assert store.buckets("nas-air", "value", Tier.MINUTES, *ALL) == [
        Bucket(T0, 2, 21.5, 20.0, 23.0)
    ]


def test_the_offset_in_force_is_applied_and_a_step_of_the_clock_followed(store: Store) -> None:
    config = Entry(T0, EntryKind.CONFIG, {"config": {"sensors": {"nas-air": {"offset": -0.4}}}})
    step = Entry(T0 + 1, EntryKind.OFFSET, {"offset_ms": 3_600_000})
    store.commit(batch(reading(), config, reading(), offset_ms=0))
    tidied(store, T0)
    store.commit(batch(step, reading(t=T0 + 2), offset_ms=3_600_000))
    expected = [Bucket(T0, 2, 31.05, 30.85, 31.25), Bucket(T0 + 3_600_000, 1, 30.85, 30.85, 30.85)]
    for _ in range(2):
        found = store.buckets("nas-air", "value", Tier.MINUTES, *ALL)
        assert found == [pytest.approx(bucket) for bucket in expected]
        tidied(store, T0)


def test_a_damaged_block_is_told_and_all_after_it_still_condensed(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    store.commit(batch(reading(value=1.0)))
    store.commit(batch(reading(value=2.0)))
    with store._database.writing() as connection:
        spoilt = update(schema.block).where(schema.block.c.first_seq == 1).values(data=b"dust")
        connection.execute(spoilt)
    tidied(store, T0)
    assert store.buckets("nas-air", "value", Tier.MINUTES, *ALL) == [Bucket(T0, 1, 2.0, 2.0, 2.0)]
    assert "number 1 on are in no tier" in caplog.text


class TestDevices:
    def minute(self, n: int, **figures: float) -> FigureMinute:
        utc_ms = T0 + n * MINUTE_MS
        told = {name: Bucket(utc_ms, 6, each, each, each) for name, each in figures.items()}
        return FigureMinute(utc_ms, {"nas": told})

    def test_their_minutes_are_read_before_and_after_they_are_in_the_tiers(
        self, store: Store, onlooker: Store
    ) -> None:
        for n in range(20):
            figures = [self.minute(n, rise_k=10.0 + n, off=n % 2)]
            store.commit(batch(figures=figures, advanced_to=T0 + n * MINUTE_MS))
        for _ in range(2):
            found = onlooker.buckets("nas", "rise_k", Tier.MINUTES, *ALL)
            assert [bucket.mean for bucket in found] == [10.0 + n for n in range(20)]
            first, second = onlooker.buckets("nas", "rise_k", Tier.QUARTERS, *ALL)
            assert (first.samples, first.mean, first.maximum) == (90, 17.0, 24.0)
            assert second == Bucket(T0 + 900_000, 30, 27.0, 25.0, 29.0)
            (off, *_) = onlooker.buckets("nas", "off", Tier.QUARTERS, *ALL)
            assert off.mean == pytest.approx(7 / 15, abs=1e-4)
            assert onlooker.figures_of("nas") == ["off", "rise_k"]
            tidied(store, T0)
        assert rows(store, "figure_minute") == 0

    def test_a_figure_unknown_for_a_while_leaves_a_gap(self, store: Store) -> None:
        store.commit(batch(figures=[self.minute(0, rise_k=1.0, power_w=3.0)]))
        store.commit(batch(figures=[self.minute(1, power_w=4.0)]))
        tidied(store, T0)
        assert len(store.buckets("nas", "rise_k", Tier.MINUTES, *ALL)) == 1
        assert len(store.buckets("nas", "power_w", Tier.MINUTES, *ALL)) == 2

    def test_what_waits_is_unpacked_once_and_anew_when_there_is_more(
        self, store: Store, onlooker: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        unpacked: list[int] = []
        unpack = codecs.decode_figures

        def counted(utc_ms: int, data: bytes) -> FigureMinute:
            unpacked.append(utc_ms)
            return unpack(utc_ms, data)

        monkeypatch.setattr(upkeep, "decode_figures", counted)
        for n in range(3):
            t = T0 + n * MINUTE_MS
            store.commit(batch(figures=[self.minute(n, rise_k=10.0, off=0.0)], advanced_to=t))
        figures = onlooker.figures_of("nas")
        for _ in range(2):
            onlooker.columns("nas", figures, Tier.MINUTES, *ALL)
            onlooker.buckets("hall", "value", Tier.MINUTES, *ALL)
        assert len(unpacked) == 3

        tidied(store, T0)
        for n in range(3):
            t = T0 + 3_600_000 + n * MINUTE_MS
            store.commit(batch(figures=[self.minute(60 + n, rise_k=20.0)], advanced_to=t))
        found = onlooker.buckets("nas", "rise_k", Tier.MINUTES, *ALL)
        assert [bucket.mean for bucket in found] == [10.0] * 3 + [20.0] * 3

    def test_a_damaged_minute_is_told_and_all_others_still_condensed(
        self, store: Store, caplog: pytest.LogCaptureFixture
    ) -> None:
        for n in range(3):
            store.commit(batch(figures=[self.minute(n, rise_k=10.0 + n)]))
        with store._database.writing() as connection:
            table = schema.figure_minute
            connection.execute(update(table).where(table.c.number == 2).values(data=b"dust"))
        tidied(store, T0)
        found = store.buckets("nas", "rise_k", Tier.MINUTES, *ALL)
        assert [bucket.mean for bucket in found] == [10.0, 12.0]
        assert rows(store, "figure_minute") == 0
        assert caplog.text.count("the devices' figures of ") == 1


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    path = put_empty_store(tmp_path_factory.mktemp("week") / "cabinet.db")
    with Store.open(database_url(path)) as store:
        commit_all(store, steady(7.0, every_ms=MINUTE_MS, t0=T0), at_once=2000)
        tidied(store, T0 + 7 * DAY_MS)
        yield store


class TestSeries:
    @pytest.mark.parametrize(
        ("hours", "points", "tier", "step_ms"),
        [
            (6, 400, Tier.MINUTES, MINUTE_MS),
            (24, 500, Tier.MINUTES, 3 * MINUTE_MS),
            (24, 96, Tier.QUARTERS, 900_000),
            (168, 600, Tier.QUARTERS, 2 * 900_000),
            (168, 700, Tier.QUARTERS, 900_000),
        ],
    )
    def test_the_tier_follows_from_the_points_wanted(
        self, week: Store, hours: int, points: int, tier: Tier, step_ms: int
    ) -> None:
        series = week.series("nas-air", "value", T0, T0 + hours * 3_600_000, points)
        assert (series.tier, series.step_ms) == (tier, step_ms)
        assert len(series.buckets) <= points + 1
        assert sum(bucket.samples for bucket in series.buckets) == hours * 60
        assert all(bucket.utc_ms % step_ms == 0 for bucket in series.buckets)

    def test_an_interval_holds_its_beginning_and_not_its_end(self, week: Store) -> None:
        found = week.buckets("nas-air", "value", Tier.MINUTES, T0 + MINUTE_MS, T0 + 3 * MINUTE_MS)
        assert [bucket.utc_ms - T0 for bucket in found] == [MINUTE_MS, 2 * MINUTE_MS]

    def test_where_nothing_was_measured_there_is_no_bucket(self, store: Store) -> None:
        store.commit(batch(reading(), reading(t=T0 + 5 * MINUTE_MS)))
        series = store.series("nas-air", "value", T0, T0 + 10 * MINUTE_MS, 10)
        assert [bucket.utc_ms - T0 for bucket in series.buckets] == [0, 5 * MINUTE_MS]

    def test_an_unknown_subject_or_figure_has_nothing(self, week: Store) -> None:
        assert week.series("attic", "value", *ALL, 10).buckets == []
        assert week.series("nas-air", "rise_k", *ALL, 10).buckets == []
        assert week.figures_of("attic") == []

    def test_a_reader_sees_each_commit_at_once(self, store: Store, onlooker: Store) -> None:
        for n in range(4):
            store.commit(batch(reading(t=T0 + n, value=20.0 + n)))
            (bucket,) = onlooker.series("nas-air", "value", T0, T0 + MINUTE_MS, 1).buckets
            assert (bucket.samples, bucket.maximum) == (n + 1, 20.0 + n)
            if n == 1:
                tidied(store, T0)

    def test_many_steps_give_what_one_gives(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(upkeep, "_BLOCKS_AT_ONCE", 3)
        monkeypatch.setattr(upkeep, "_READINGS_AT_ONCE", 60)
        readings = list(steady(1.0, every_ms=300_000, t0=T0))
        commit_all(store, [*readings], at_once=25)
        assert sum(1 for _ in store.tidy(Now(T0, T0))) > 5
        assert_same(
            store.buckets("nas-air", "value", Tier.MINUTES, *ALL),
            truth([*readings], "nas-air", MINUTE_MS, 0),
        )


class TestStatistics:
    def test_the_percentile_is_that_of_the_published_definition(self) -> None:
        # Hyndman and Fan 1996, method 7, worked by hand: rank 0.95 * 4 = 3.8 of 15 20 35 40 50.
        column = [Bucket(n, 1, mean, mean, mean) for n, mean in enumerate([35, 20, 15, 50, 40])]
        for values, expected in ((column, 48.0), (column[:1], 35)):
            found = statistics(values)
            assert found is not None
            assert found.percentile_95 == pytest.approx(expected)

    def test_extremes_come_with_their_time(self) -> None:
        column = [
            Bucket(0, 5, 2.0, 1.0, 3.0),
            Bucket(60, 5, 4.0, 0.5, 9.0),
            Bucket(120, 1, 3, 3, 3),
        ]
        found = statistics(column)
        assert found is not None
        assert found.percentile_95 == pytest.approx(3.9)
        assert found._replace(percentile_95=0.0) == Statistics(3.0, 0.0, 0.5, 60, 9.0, 60, 3)
        assert statistics([]) is None

    @given(st.lists(st.tuples(st.integers(0, 10**7), st.floats(-99, 99)), min_size=1, max_size=40))
    def test_condensing_in_two_stages_is_condensing_at_once(
        self, singles: list[tuple[int, float]]
    ) -> None:
        column = [Bucket(t, 1, value, value, value) for t, value in singles]
        at_once = condense(column, 900_000)
        in_two = condense(condense(column, 60_000), 900_000)
        assert [each[:2] for each in in_two] == [each[:2] for each in at_once]
        for one, two in zip(at_once, in_two, strict=True):
            assert two[2:] == pytest.approx(one[2:], abs=1e-9)
        assert sum(bucket.samples for bucket in at_once) == len(singles)


def test_a_start_in_1970_makes_buckets_of_1970_and_harms_nothing(store: Store) -> None:
    wrong = -T0 + 50_000
    store.commit(batch(start(wrong), reading(t=T0 + 1), offset_ms=wrong))
    set_right = Entry(T0 + 2, EntryKind.OFFSET, {"offset_ms": 0})
    store.commit(batch(set_right, reading(t=T0 + 3)))
    tidied(store, T0)
    found = store.buckets("nas-air", "value", Tier.MINUTES, *ALL)
    assert [bucket.utc_ms for bucket in found] == [0, T0]
