"""An offline run leaves a store as a watch would: replay, tiers, notes, commands, a frozen week."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.service.offline import OfflineRun
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.replay import Replayer
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from tests.support.empty_store import put_empty_store

MINUTE_MS = 60_000
MONDAY = 1_780_264_800_000 - 1_780_264_800_000 % 86_400_000

TABLES = """
[site]
name = "tried"
timezone = "UTC"

[store]
url = "sqlite:///watch.db"

[sensors.hall]
topic = "house/hall"
quantity = "temperature"
interval_s = 60
high = 28.0

[devices.nas]
temperature = "hall"

[notify.mqtt]
enabled = false
"""


def test_what_was_lived_through_offline_is_judged_kept_condensed_and_frozen(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text(TABLES)
    config = load_config(path)
    put_empty_store(config.store.url)
    with Store.open(config.store.url) as store:
        run = OfflineRun(config, store, MONDAY)
        for minute in range(1, 200):
            run.live(MONDAY + minute * MINUTE_MS, {"hall": 30.0 if minute > 100 else 20.0})
            if minute == 110:
                run.obey({"command": "ack"}, ("hall", "high"))
        with pytest.raises(ValueError, match="nothing to acknowledge"):
            run.obey({"command": "ack"}, ("hall", "high"))
        run.pause()
        week = IsoWeek.of(MONDAY, ZoneInfo(config.site.timezone))
        run.close_week(week)

        told = [(each.condition, each.state) for each in store.transitions()]
        assert told == [("high", "unacknowledged"), ("high", "acknowledged")]
        inputs = [each for _, each in store.inputs()]
        assert list(Replayer().run(inputs)) == list(store.transitions())
        for subject, figure in (("hall", "value"), ("nas", "temperature_c")):
            (bucket, *_) = store.buckets(subject, figure, Tier.MINUTES, MONDAY, MONDAY + 3600_000)
            assert bucket.mean == 20.0
        closed = store.week(week.name)
        assert closed is not None
        frozen = Week.from_json(closed.figures)
        assert frozen is not None
        assert frozen.watch.readings == 199
