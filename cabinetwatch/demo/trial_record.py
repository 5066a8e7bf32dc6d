"""A trial of the simulated NAS, its fan slowed: a record to judge. Invented, and ours."""

import csv
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.demo.household import under_stairs
from cabinetwatch.demo.instruments import INTERVAL_S, instrument
from cabinetwatch.times import to_rfc3339

DEVICE = "nas"
INVENTED = "invented: a simulated cabinet of cabinetwatch demo, no real device, house or person"
START_HOUR = 9.0
SEED = 4

BEFORE_S, CHANGE_S, AFTER_S = 3 * 3600.0, 900.0, 4 * 3600.0
SLOWED_TO = 0.8
"""Speed of the fan after the change, as a fraction of before."""

_OPEN_VENT_W_K = 6.0
"""What a NAS without its cover gives to the air of the cabinet, beside its fan; invented."""


class Phases(NamedTuple):
    """The intervals of the record, as ISO 8601."""

    before: str
    after: str


def write_trial_record(path: Path, start_utc_ms: int) -> Phases:
    """Write the record as CSV of time, sensor, value; a remark in it says that it is invented.

    Args:
        path: the file.
        start_utc_ms: when it begins: nine in the morning of some day.

    Returns:
        The phases to compare.

    Raises:
        OSError: the file can't be written.
    """
    cabinet = under_stairs(start_hour=START_HOUR, seed=SEED)
    probes = instrument(cabinet, SEED).probes
    nas = cabinet.devices[DEVICE]
    built = nas.build
    opened = replace(built, vent_w_k=_OPEN_VENT_W_K)
    slowed = replace(
        built, fan_rpm=SLOWED_TO * built.fan_rpm, fan_flow_m3_s=SLOWED_TO * built.fan_flow_m3_s
    )
    remark = INVENTED
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("time", "sensor", "value", "remark"))
        for build, length_s in ((built, BEFORE_S), (opened, CHANGE_S), (slowed, AFTER_S)):
            nas.build = build
            for _ in range(round(length_s / INTERVAL_S)):
                cabinet.advance(INTERVAL_S)
                time = to_rfc3339(start_utc_ms + round(cabinet.elapsed_s * 1000))
                for sensor, probe in probes.items():
                    writer.writerow((time, sensor, probe.read(), remark))
                    remark = ""
    return _phases(start_utc_ms)


def _phases(start_utc_ms: int) -> Phases:
    def interval(from_s: float, to_s: float) -> str:
        ends = (to_rfc3339(start_utc_ms + round(at_s * 1000)) for at_s in (from_s, to_s))
        return "/".join(ends)

    changed_s = BEFORE_S + CHANGE_S
    return Phases(interval(0.0, BEFORE_S), interval(changed_s, changed_s + AFTER_S))
