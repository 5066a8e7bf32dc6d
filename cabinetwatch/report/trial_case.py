"""A trial put together: its readings out of store or file, its state, its words."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from cabinetwatch.clock import describe_duration, to_rfc3339
from cabinetwatch.config.equipment import Device
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt import recording
from cabinetwatch.report.words import UNKNOWN, LogEntry, number, short_time
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.inputs import OffsetsInForce
from cabinetwatch.store.store import Store
from cabinetwatch.text import UsageError
from cabinetwatch.thermal.derating import altitude_lowering_k
from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.judgement import ASSUMED_ACCURACY_K, PhaseFigures, TrialFigures, threshold_c
from cabinetwatch.trial.phases import (
    PhaseResult,
    Progress,
    analyse_phase,
    cover_off,
    last_mark_ms,
    phase_progress,
    zero_progress,
)
from cabinetwatch.trial.readings import (
    EMPTY,
    Enclosing,
    Estimate,
    Phase,
    Series,
    Subject,
    Terms,
    Trial,
    rectangular,
)
from cabinetwatch.watch.conditions import CONDITIONS
from cabinetwatch.watch.events import EntryKind, Quality
from cabinetwatch.watch.trials import CHANGED, MEASURED, PHASES, TrialRecord

Readings = Mapping[str, Series]
"""By sensor: UTC in ms and SI values with the offset applied, in order of time."""

Interval = tuple[int, int]
"""From one instant up to before another, UTC in ms."""


def sensors_of(device: Device) -> list[str]:
    """Give every sensor of a device."""
    named = (device.temperature, device.ambient, *device.power, device.fan, device.sound)
    return [sensor for sensor in named if sensor is not None]


def read_store(
    store: Store, config: Config, sensors: Iterable[str], intervals: Iterable[Interval]
) -> Readings:
    """Read some sensors out of the store, corrected by the offsets in force when they came.

    Args:
        store: where they are.
        config: as it is now.
        sensors: those wanted.
        intervals: when; what lies in several is given once.

    Raises:
        StoreError: the store can't be read.
    """
    wanted = frozenset(sensors)
    offsets = OffsetsInForce(store.entries(EntryKind.CONFIG), config.as_json())
    found: list[tuple[str, int, float]] = []
    read_up_to_ms = 0
    for start_ms, end_ms in sorted(intervals):
        from_ms = max(start_ms, read_up_to_ms)
        for stretch in store.stretches(from_ms, end_ms):
            in_force = offsets.at(stretch.first_seq)
            for reading in stretch.readings:
                utc_ms = reading.t + stretch.offset_ms
                # A broker's retained copy has no instant of its own.
                stray = reading.sensor not in wanted or reading.quality is Quality.RETAINED
                if from_ms <= utc_ms < end_ms and not stray:
                    value = reading.value + in_force.get(reading.sensor, 0.0)
                    found.append((reading.sensor, utc_ms, value))
        read_up_to_ms = max(read_up_to_ms, end_ms)
    return _sorted(found)


def read_file(path: Path, config: Config, on_problem: Callable[[int, str], None]) -> Readings:
    """Read a recording, an export or a CSV file of time, sensor and value.

    Raises:
        UsageError: the file can't be opened, or is of none of the kinds.
    """
    found = []
    for reading in recording.read_table(path, config.sensors, on_problem):
        offset = 0.0 if reading.corrected else config.sensors[reading.sensor].offset
        found.append((reading.sensor, reading.utc_ms, reading.value + offset))
    return _sorted(found)


def phase_of(device: Device, readings: Readings, interval: Interval) -> Phase:
    """Give a phase of a device with what was read in it."""

    def series(sensor: str | None) -> Series | None:
        if sensor is None or sensor not in readings:
            return None
        whole = readings[sensor]
        first, last = np.searchsorted(whole.t_ms, interval)
        return Series(whole.t_ms[first:last], whole.value[first:last])

    return Phase(
        *interval,
        temperature=series(device.temperature) or EMPTY,
        ambient=series(device.ambient) or EMPTY,
        power=_sum([series(sensor) for sensor in device.power]),
        fan=series(device.fan),
        sound=series(device.sound),
    )


def _sum(supplies: Sequence[Series | None]) -> Series | None:
    """Add the powers of several supplies, each held until its next reading."""
    known = [supply for supply in supplies if supply is not None and len(supply.t_ms)]
    if not known or len(known) < len(supplies):
        return None
    if len(known) == 1:
        return known[0]
    t_ms = np.unique(np.concatenate([supply.t_ms for supply in known]))
    t_ms = t_ms[t_ms >= max(supply.t_ms[0] for supply in known)]
    held = [s.value[np.searchsorted(s.t_ms, t_ms, side="right") - 1] for s in known]
    return Series(t_ms, np.sum(held, axis=0))


def _sorted(found: list[tuple[str, int, float]]) -> Readings:
    """Put readings by sensor and time; two of one millisecond are both kept."""
    by_sensor: dict[str, list[tuple[int, float]]] = {}
    for sensor, utc_ms, value in found:
        by_sensor.setdefault(sensor, []).append((utc_ms, value))
    series = {}
    for sensor, pairs in by_sensor.items():
        pairs.sort(key=lambda pair: pair[0])
        times, values = zip(*pairs, strict=True)
        series[sensor] = Series(np.array(times, dtype=np.int64), np.array(values, dtype=float))
    return series


NO_AFTER = "There is no after phase yet."


@dataclass(frozen=True)
class Case:
    """What is known of a trial before it is judged.

    `title` names it; `change` is what somebody says was changed. `intervals` has `before`, and
    where there were such phases `zero`, `change` and `after`. `let_go` names the phases of which
    the store has let readings go. `between` is for pictures: means of what was read between phases.
    """

    title: str
    device: str
    change: str
    config: Config
    intervals: Mapping[str, Interval]
    readings: Readings
    notes: tuple[LogEntry, ...] = field(default=())
    let_go: frozenset[str] = frozenset()
    between: Readings = field(default_factory=dict)

    @property
    def name(self) -> str:
        """What people call the device."""
        return self.config.name_of(self.device)

    @property
    def span(self) -> Interval:
        """From the beginning of its first phase to the end of its last."""
        starts, ends = zip(*self.intervals.values(), strict=True)
        return min(starts), max(ends)

    def phase(self, name: str, device: str | None = None) -> Phase | None:
        """Give the readings of the device, or of another, in a phase; None without the phase."""
        interval = self.intervals.get(name)
        if interval is None:
            return None
        table = self.config.devices[device or self.device]
        return replace(phase_of(table, self.readings, interval), let_go=name in self.let_go)


def check_device(config: Config, device_id: str) -> None:
    """Refuse a device that no trial can be made of.

    Raises:
        UsageError: it is not in the configuration, or has no ambient sensor.
    """
    device = config.devices.get(device_id)
    if device is None:
        known = ", ".join(config.devices) or "none"
        raise UsageError(f"There is no device {device_id!r}; there are {known}")
    if device.ambient is None:
        raise UsageError(
            f"{device_id} has no ambient sensor, so there is no rise to compare; name one in"
            f" [devices.{device_id}]"
        )


def sensors_needed(config: Config, device_id: str) -> list[str]:
    """Give the sensors of a device and of those that enclose it."""
    devices = [device_id, *config.enclosing(device_id)]
    return [sensor for name in devices for sensor in sensors_of(config.devices[name])]


def judge_case(case: Case, terms: Terms) -> TrialFigures:
    """Analyse a case; without an after phase what can be told of before.

    Raises:
        UsageError: phases in the wrong order, overlapping, or empty.
    """
    before, after = case.phase("before"), case.phase("after")
    if before is None:
        nothing = PhaseFigures()
        return TrialFigures(
            case.device, nothing, nothing, "undecided", ("There is no before phase yet.",)
        )
    if after is not None:
        return analyse(Trial(subject_of(case), before, after, case.phase("zero")), terms)
    end_ms = before.end_ms
    missing = Phase(end_ms, end_ms + 1, temperature=EMPTY, ambient=EMPTY)
    figures = analyse(Trial(subject_of(case), before, missing, case.phase("zero")), terms)
    reasons = tuple(NO_AFTER if "The after phase" in each else each for each in figures.reasons)
    return replace(figures, reasons=reasons)


def results_of(case: Case) -> dict[str, PhaseResult]:
    """Give the analysis of each phase that can be used: for pictures."""
    limit_c = threshold_c(_plain_subject(case), None)
    phases = {name: case.phase(name) for name in ("before", "after")}
    found = {}
    for name, phase in phases.items():
        other = phases["after" if name == "before" else "before"]
        if phase is not None:
            result = analyse_phase(phase, name, limit_c, other)
            if isinstance(result, PhaseResult):
                found[name] = result
    return found


def subject_of(case: Case) -> Subject:
    """Give what the analysis must know of the device, the rises around it measured in after."""
    around = [_enclosing(case, device) for device in case.config.enclosing(case.device)]
    return replace(_plain_subject(case), enclosing=tuple(around))


def _plain_subject(case: Case) -> Subject:
    config = case.config
    device, site = config.devices[case.device], config.site
    ambient = None if device.ambient is None else config.sensors[device.ambient]
    return Subject(
        device=case.device,
        design_ambient_c=site.design_ambient_c,
        derating=device.derating,
        derating_air=device.derating_air,
        rated_power_w=device.rated_power_w,
        curve_lowering_k=altitude_lowering_k(
            site.altitude_m, site.derating_base_m, site.derating_k_per_km
        ),
        temperature_accuracy_k=config.sensors[device.temperature].accuracy,
        ambient_accuracy_k=None if ambient is None else ambient.accuracy,
    )


def _enclosing(case: Case, device_id: str) -> Enclosing:
    """Measure the settled rise of a device around this one during the after phase."""
    phase = case.phase("after", device_id)
    device = case.config.devices[device_id]
    if phase is None or device.ambient is None:
        return Enclosing(device_id, None)
    result = analyse_phase(phase, "after", None, case.phase("before", device_id))
    if isinstance(result, str) or result.settling.poor:
        return Enclosing(device_id, None)
    stated = [case.config.sensors[name].accuracy for name in (device.temperature, device.ambient)]
    accuracies = [ASSUMED_ACCURACY_K if each is None else each for each in stated]
    rise = result.rise.widened(rectangular(accuracies[0], accuracies[1]))
    half_k = max(rise.high - rise.value, rise.value - rise.low)
    return Enclosing(device_id, rise.value, half_k)


_MINUTE_MS = 60_000
_POINTS_BETWEEN = 240
_WHOLE = 0.9
"""Part of what the minutes counted that counts as all of it: they count retained copies as well."""


def with_stored_readings(case: Case, store: Store) -> Case:
    """Give a case with what the store has of each of its phases.

    Raises:
        StoreError: the store can't be read.
    """
    sensors = sensors_needed(case.config, case.device)
    case = replace(case, readings=read_store(store, case.config, sensors, case.intervals.values()))
    return replace(case, let_go=_phases_let_go(case, store), between=_read_between(case, store))


def _read_between(case: Case, store: Store) -> Readings:
    """Give the means of temperature and ambient between the phases: as cheap over a year."""
    device = case.config.devices[case.device]
    phases = sorted(case.intervals.values())
    gaps = [(first[1], last[0]) for first, last in pairwise(phases) if last[0] > first[1]]
    found = {}
    for sensor in (device.temperature, device.ambient):
        if sensor is not None:
            means = [each for gap in gaps for each in _means(store, sensor, gap)]
            t_ms, values = np.array(means, dtype=float).reshape(-1, 2).T
            found[sensor] = Series(t_ms.astype(np.int64), values)
    return found


def _means(store: Store, sensor: str, gap: Interval) -> list[tuple[float, float]]:
    """Middle and mean of the buckets that lie wholly within a gap."""
    series = store.series(sensor, "value", *gap, _POINTS_BETWEEN)
    return [
        (bucket.utc_ms + series.step_ms / 2, bucket.mean)
        for bucket in series.buckets
        if bucket.utc_ms + series.step_ms <= gap[1]
    ]


def _phases_let_go(case: Case, store: Store) -> frozenset[str]:
    gone_ms = store.raw_gone_before()
    if gone_ms is None:
        return frozenset()
    device = case.config.devices[case.device]
    sensors = [sensor for sensor in (device.temperature, device.ambient) if sensor is not None]
    found = set()
    for name in MEASURED:
        start_ms, end_ms = case.intervals.get(name, (gone_ms, gone_ms))
        old = start_ms, min(end_ms, gone_ms)
        if any(_let_go(store, case.readings, sensor, old) for sensor in sensors):
            found.add(name)
    return frozenset(found)


def _let_go(store: Store, readings: Readings, sensor: str, old: Interval) -> bool:
    """Whether readings of a time before all are kept are gone: minutes tell how many there were."""
    start_ms, end_ms = -(-old[0] // _MINUTE_MS) * _MINUTE_MS, old[1] // _MINUTE_MS * _MINUTE_MS
    if end_ms <= start_ms:
        return False
    minutes = store.buckets(sensor, "value", Tier.MINUTES, start_ms, end_ms)
    left = 0
    if sensor in readings:
        t_ms = readings[sensor].t_ms
        left = int(((t_ms >= start_ms) & (t_ms < end_ms)).sum())
    if minutes:
        return left < _WHOLE * sum(minute.samples for minute in minutes)
    # Without minutes it was silent, unless those have gone as well.
    oldest_ms = store.room().oldest_minutes_utc_ms
    return left == 0 and (oldest_ms is None or oldest_ms > start_ms)


LONG_OPEN_MS = 86_400_000
"""A phase that is open for longer has likely been forgotten."""


@dataclass(frozen=True)
class TrialState:
    """An open trial as it stands.

    `settled`: the phase has settled, the next may start. `left_s`: how long that will still take;
    None where it can't be told. `sentences`: all of it in words; `warnings` are among them.
    """

    trial: TrialRecord
    settled: bool
    left_s: float | None
    sentences: tuple[str, ...]

    def public(self) -> dict[str, Any]:
        """Give JSON-able values."""
        trial = self.trial
        return {
            "name": trial.name,
            "device": trial.device,
            "change": trial.change,
            "begun": to_rfc3339(trial.begun_utc_ms),
            "ended": None if trial.ended_utc_ms is None else to_rfc3339(trial.ended_utc_ms),
            "phase": trial.phase,
            "since": to_rfc3339(trial.since_utc_ms),
            "settled": self.settled,
            "time_left_s": None if self.left_s is None else round(self.left_s),
            "sentences": list(self.sentences),
        }


def case_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> Case:
    """Put a trial together from the store; a phase that still lasts ends at its last mark.

    Raises:
        StoreError: the store can't be read.
    """
    intervals: dict[str, Interval] = {}
    for phase in PHASES:
        interval = trial.interval(phase)
        if interval is not None:
            start_ms, end_ms = interval
            intervals[phase] = start_ms, end_ms or _end_so_far(phase, start_ms, now_utc_ms)
    before, after = intervals.get("before"), intervals.get("after")
    if before is not None and after is not None and after[0] < before[0]:
        # The before phase was begun anew: an after phase from earlier counts no more.
        del intervals["after"]
    case = Case(
        title=trial.name,
        device=trial.device,
        change=trial.change,
        config=config,
        intervals=intervals,
        readings={},
    )
    return with_stored_readings(case, store)


def _end_so_far(phase: str, start_ms: int, now_ms: int) -> int:
    """Where a phase under way ends for now; one that counts at a mark, so that all judge alike."""
    end_ms = last_mark_ms(start_ms, now_ms) if phase in MEASURED else now_ms
    return max(end_ms, start_ms + 1)


def state_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> TrialState:
    """Say how an open trial stands.

    Raises:
        StoreError: the store can't be read.
    """
    if not trial.open:
        return TrialState(trial, True, None, ())
    device = config.devices.get(trial.device)
    if device is None or device.ambient is None:
        sentence = f"{trial.device} with an ambient sensor is no longer in the configuration."
        return TrialState(trial, False, None, (sentence,))
    case = case_of(store, config, trial, now_utc_ms)
    progress = _progress(case, trial)
    sentences = [progress.sentence, *_warnings(case, trial, now_utc_ms)]
    return TrialState(trial, progress.settled, progress.left_s, tuple(sentences))


def _progress(case: Case, trial: TrialRecord) -> Progress:
    name = trial.phase
    phase = None if name is None else case.phase(name)
    if name is None or phase is None:
        return Progress(
            False,
            None,
            "No phase has begun yet. Next: zero with the device off and cold (optional), or before"
            " with all as it is now.",
        )
    if name == "change":
        return Progress(
            False,
            None,
            "The change phase is not counted. When the change is made and the cover is on again,"
            " begin the after phase.",
        )
    subject = subject_of(case)
    if name == "zero":
        stated = (subject.temperature_accuracy_k, subject.ambient_accuracy_k)
        limit_k = sum(ASSUMED_ACCURACY_K if each is None else each for each in stated)
        return zero_progress(phase, subject, limit_k)
    return phase_progress(phase, name, threshold_c(subject, None))


def _warnings(case: Case, trial: TrialRecord, now_utc_ms: int) -> list[str]:
    """Say what looks wrong, and what is suppressed."""
    warnings = []
    name = trial.phase
    phase = None if name is None else case.phase(name)
    if name in {"before", "after"} and phase is not None:
        warnings += _cover(phase, name)
    open_ms = now_utc_ms - trial.since_utc_ms
    what = f"The {name} phase" if name else "The trial"
    if open_ms > LONG_OPEN_MS:
        warnings.append(
            f"WARNING: {what} of {trial.name} has been open for"
            f" {describe_duration(open_ms / 1000)}; was it forgotten? Enter the next phase, or end"
            f" it: cabinetwatch trial end {trial.name}."
        )
    if name in CHANGED:
        withheld = sorted(each.name for each in CONDITIONS if each.withheld_in_trial)
        urgent = [each.name for each in CONDITIONS if each.ends_a_trial]
        warnings.append(
            f"While it lasts {', '.join(withheld)} of {trial.device} are suppressed;"
            f" {' and '.join(urgent)} are told."
        )
    return warnings


def _cover(phase: Phase, name: str) -> list[str]:
    result = analyse_phase(phase, name, None)
    fall = None if isinstance(result, str) else cover_off(result.profile)
    if fall is None:
        return []
    sentence = (
        f"WARNING: the temperature fell by {fall.fall_k:z.1f} K within ten minutes, some"
        f" {describe_duration(fall.at_s)} after the {name} phase began, and neither ambient nor"
        " load did: was the cover off? If so, begin the phase anew."
    )
    return [sentence]


NOTHING_FOLLOWS = "Nothing: that takes two phases that can be used."

_VERDICTS = {
    "accept": "accept. Cool enough, also on the hottest day.",
    "watch": "watch. It stays below its threshold on the hottest day, with little to spare.",
    "reject": "reject. Undo the change.",
    "undecided": "undecided. This trial can't tell.",
}


def verdict_words(figures: TrialFigures) -> str:
    """Give the verdict with what it means."""
    return _VERDICTS[figures.verdict]


def phase_rows(case: Case, figures: TrialFigures) -> list[list[str]]:
    """Give a row for each phase, in order of time."""
    measured = {"before": figures.before, "after": figures.after}
    timezone = case.config.site.timezone
    rows = []
    for name, (start_ms, end_ms) in sorted(case.intervals.items(), key=lambda each: each[1]):
        times = [short_time(start_ms, timezone), short_time(end_ms, timezone)]
        phase = measured.get(name)
        rows.append([name, *times, *(_measured(phase) if phase else [UNKNOWN] * 6)])
    return rows


def figure_rows(figures: TrialFigures) -> list[tuple[str, str]]:
    """Give what follows from both phases; nothing when all of it is unknown."""
    margin = figures.hot_day_margin
    rows = [
        ("Change of the rise, at equal load", signed_interval(figures.change)),
        ("Temperature on the hottest day", _with(figures.hot_day_temperature_c, "°C")),
        ("Derating threshold at this load", _with(figures.threshold_c, "°C")),
        ("Margin on the hottest day", signed_interval(margin)),
        ("Life, after over before, Arrhenius", _factor(figures.life_factor)),
        ("Life of capacitors, ten-degree rule", _factor(figures.life_factor_capacitor)),
        ("Change of sound", _signed(figures.sound_change_db, "dB")),
    ]
    return rows if any(value != UNKNOWN for _, value in rows) else []


def deed_lines(case: Case) -> list[str]:
    """Give what people did meanwhile, a line each."""
    timezone = case.config.site.timezone
    return [f"{short_time(deed.utc_ms, timezone)}: {deed.text}" for deed in case.notes]


def signed_interval(estimate: Estimate | None) -> str:
    """Write a difference with its 95 % interval."""
    if estimate is None:
        return UNKNOWN
    return f"{estimate.value:+z.1f} K ({estimate.low:+z.1f} to {estimate.high:+z.1f})"


def _measured(phase: PhaseFigures) -> list[str]:
    rise, tau_s = phase.rise, phase.time_constant_s
    if rise is None:
        return [UNKNOWN] * 6
    return [
        f"{number(rise.value)} K",
        f"{number(rise.low)} to {number(rise.high)} K",
        "settled" if phase.settled else "fitted",
        UNKNOWN if tau_s is None else describe_duration(tau_s),
        _with(phase.ambient_c, "°C"),
        _with(phase.power_w, "W"),
    ]


def _with(value: float | None, unit: str) -> str:
    return UNKNOWN if value is None else f"{number(value)} {unit}"


def _signed(value: float | None, unit: str) -> str:
    return UNKNOWN if value is None else f"{value:+z.1f} {unit}"


def _factor(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:z.2f} times"
