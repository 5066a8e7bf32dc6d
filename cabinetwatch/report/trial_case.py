"""A trial put together: its readings out of store or file, how it stands, and its words.

A `Case` is a trial before it is judged, told to the watch or given by intervals after the fact;
`judge_case` analyses it once, and everything shown of it (text, page, state) is made of the figures
that it gives. Terminal and page share the words at the end. Nothing here draws, so that `status`
and the plain report need no matplotlib.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt import recording
from cabinetwatch.report.words import UNKNOWN, LogEntry, known, short_time, subjects_of
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.inputs import OffsetsInForce
from cabinetwatch.store.store import Store
from cabinetwatch.text import TemperatureUnit, describe_duration, plain, to_rfc3339
from cabinetwatch.thermal.derating import altitude_lowering_k
from cabinetwatch.thermal.sensing import Quality as Judged
from cabinetwatch.thermal.sensing import ValueFilter
from cabinetwatch.trial.judgement import (
    PhaseFigures,
    TrialFigures,
    analyse,
    rises_to_sum,
    threshold_c,
)
from cabinetwatch.trial.phases import (
    PhaseResult,
    Progress,
    analyse_phase,
    cover_off,
    last_mark_ms,
    progress_of,
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
from cabinetwatch.watch.sensors import value_filter
from cabinetwatch.watch.trials import CHANGED, MEASURED, PHASES, TrialRecord

Readings = Mapping[str, Series]
"""By sensor: UTC in ms and SI values with the offset applied, in order of time."""

Interval = tuple[int, int]
"""From one instant up to before another, UTC in ms."""


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
    notes: tuple[LogEntry, ...] = ()
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

    def in_order(self) -> list[tuple[str, Interval]]:
        """Give the phases in order of time."""
        return sorted(self.intervals.items(), key=lambda each: each[1])

    def phase(self, name: str, device_id: str | None = None) -> Phase | None:
        """Give the readings of the device, or of another, in a phase; None without the phase."""
        interval = self.intervals.get(name)
        if interval is None:
            return None
        device = self.config.devices[device_id or self.device]

        def series(sensor: str | None) -> Series | None:
            if sensor is None or sensor not in self.readings:
                return None
            whole = self.readings[sensor]
            first, last = np.searchsorted(whole.t_ms, interval)
            return Series(whole.t_ms[first:last], whole.value[first:last])

        return Phase(
            *interval,
            temperature=series(device.temperature) or EMPTY,
            ambient=series(device.ambient) or EMPTY,
            power=_sum([series(sensor) for sensor in device.power]),
            fan=series(device.fan),
            sound=series(device.sound),
            let_go=name in self.let_go,
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


def case_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> Case:
    """Put a trial together from the store; a phase that still lasts ends at its last mark."""
    intervals: dict[str, Interval] = {}
    for phase in PHASES:
        interval = trial.interval(phase)
        if interval is not None:
            start_ms, end_ms = interval
            if end_ms is None:
                # One that counts ends at a mark, so that all who ask judge alike.
                counts = phase in MEASURED
                end_ms = last_mark_ms(start_ms, now_utc_ms) if counts else now_utc_ms
            # None ends before it begins, although the clock may have been set back meanwhile.
            intervals[phase] = start_ms, max(end_ms, start_ms + 1)
    before, after = intervals.get("before"), intervals.get("after")
    if before is not None and after is not None and after[0] < before[0]:
        # The before phase was begun anew: an after phase from earlier counts no more.
        del intervals["after"]
    case = Case(trial.name, trial.device, trial.change, config, intervals, {})
    return with_stored_readings(case, store)


def with_stored_readings(case: Case, store: Store) -> Case:
    """Give a case with what the store has of each of its phases."""
    config, device = case.config, case.config.devices[case.device]
    sensors: set[str] = set()
    for name in (case.device, *config.enclosing(case.device)):
        sensors |= subjects_of(name, config.devices[name]) - {name}
    readings = read_store(store, config, sensors, case.intervals.values())
    air = [sensor for sensor in (device.temperature, device.ambient) if sensor is not None]
    gone_ms = store.raw_gone_before()
    let_go = {
        name
        for name in MEASURED
        if gone_ms is not None and name in case.intervals
        for sensor in air
        if _let_go(store, readings.get(sensor, EMPTY), sensor, case.intervals[name], gone_ms)
    }
    between = {sensor: _between(store, sensor, case.intervals.values()) for sensor in air}
    return replace(
        case, readings=_without_wild(readings), let_go=frozenset(let_go), between=between
    )


def read_store(
    store: Store, config: Config, sensors: Iterable[str], intervals: Iterable[Interval]
) -> Readings:
    """Read some sensors out of the store, corrected by the offsets in force when they came.

    `config` is that of now; what lies in several of the intervals is given once, and what the watch
    would set aside as wild is NaN.
    """
    wanted = frozenset(sensors)
    offsets = OffsetsInForce(store.entries(EntryKind.CONFIG), config.as_json())
    found: list[_Found] = []
    read_up_to_ms = 0
    for start_ms, end_ms in sorted(intervals):
        from_ms = max(start_ms, read_up_to_ms)
        for seq, reading, utc_ms in store.numbered(wanted, from_ms, end_ms):
            # A broker's retained copy has no instant of its own.
            if reading.quality is not Quality.RETAINED:
                offset = offsets.at(seq).get(reading.sensor, 0.0)
                found.append(_Found(reading.sensor, utc_ms, reading.value, offset))
        read_up_to_ms = max(read_up_to_ms, end_ms)
    return _by_sensor(found, config)


def read_file(path: Path, config: Config, on_problem: Callable[[int, str], None]) -> Readings:
    """Read a recording, an export or a CSV file of time, sensor and value.

    Raises:
        UsageError: the file can't be opened, or is of none of the kinds.
    """
    found = []
    for reading in recording.read_table(path, config.sensors, on_problem):
        offset = config.sensors[reading.sensor].offset
        # Rounded, so that a fault code is itself again.
        value = round(reading.value - offset, 9) if reading.corrected else reading.value
        found.append(_Found(reading.sensor, reading.utc_ms, value, offset))
    return _without_wild(_by_sensor(found, config))


class _Found(NamedTuple):
    """A reading as it came, in UTC (ms) and SI units, and the offset to correct it by."""

    sensor: str
    utc_ms: int
    value: float
    offset: float


def _by_sensor(found: list[_Found], config: Config) -> Readings:
    """Put readings by sensor and time; two of one millisecond are both kept, as they came.

    A value that the watch would set aside (a fault code, one out of range, a lone leap) is NaN: it
    was read, but tells nothing.
    """
    by_sensor: dict[str, list[tuple[int, float]]] = {}
    filters: dict[str, ValueFilter] = {}
    for sensor, utc_ms, value, offset in sorted(found, key=lambda each: each.utc_ms):
        if sensor not in filters:
            filters[sensor] = value_filter(sensor, config)
        is_good = filters[sensor].judge(utc_ms, value) is Judged.GOOD
        corrected = value + offset if is_good else np.nan
        by_sensor.setdefault(sensor, []).append((utc_ms, corrected))
    series = {}
    for sensor, pairs in by_sensor.items():
        times, values = zip(*pairs, strict=True)
        series[sensor] = Series(np.array(times, dtype=np.int64), np.array(values, dtype=float))
    return series


def _without_wild(readings: Readings) -> Readings:
    good = {sensor: np.isfinite(series.value) for sensor, series in readings.items()}
    return {
        sensor: Series(series.t_ms[good[sensor]], series.value[good[sensor]])
        for sensor, series in readings.items()
    }


_MINUTE_MS = 60_000
_POINTS_BETWEEN = 240
_WHOLE = 0.9
"""Part of what the minutes counted that counts as all of it: they count retained copies as well."""


def _between(store: Store, sensor: str, intervals: Iterable[Interval]) -> Series:
    """Middle and mean of the buckets that lie wholly between two phases: as cheap over a year."""
    means: list[tuple[float, float]] = []
    for (_, from_ms), (to_ms, _) in pairwise(sorted(intervals)):
        if to_ms > from_ms:
            series = store.series(sensor, "value", from_ms, to_ms, _POINTS_BETWEEN)
            means += [
                (bucket.utc_ms + series.step_ms / 2, bucket.mean)
                for bucket in series.buckets
                if bucket.utc_ms + series.step_ms <= to_ms
            ]
    t_ms, values = np.array(means, dtype=float).reshape(-1, 2).T
    return Series(t_ms.astype(np.int64), values)


def _let_go(store: Store, readings: Series, sensor: str, phase: Interval, gone_ms: int) -> bool:
    """Whether readings from before all are kept are gone: minutes tell how many there were."""
    start_ms = -(-phase[0] // _MINUTE_MS) * _MINUTE_MS
    end_ms = min(phase[1], gone_ms) // _MINUTE_MS * _MINUTE_MS
    if end_ms <= start_ms:
        return False
    minutes = store.buckets(sensor, "value", Tier.MINUTES, start_ms, end_ms)
    left = int(((readings.t_ms >= start_ms) & (readings.t_ms < end_ms)).sum())
    if minutes:
        return left < _WHOLE * sum(minute.samples for minute in minutes)
    # Without minutes it was silent, unless those have gone as well.
    oldest_ms = store.room().oldest_minutes_utc_ms
    return left == 0 and (oldest_ms is None or oldest_ms > start_ms)


def judge_case(case: Case, terms: Terms) -> TrialFigures:
    """Analyse a case, as far as it has come.

    Raises:
        UsageError: phases in the wrong order, overlapping, or empty.
    """
    before, after = case.phase("before"), case.phase("after")
    subject = _subject(case)
    if before is not None and after is not None:
        around = [_enclosing(case, device) for device in case.config.enclosing(case.device)]
        subject = replace(subject, enclosing=tuple(around))
    return analyse(Trial(subject, before, after, case.phase("zero")), terms)


def _subject(case: Case, device_id: str | None = None) -> Subject:
    """What the analysis must know of the device, or of another, but for what is around it."""
    config = case.config
    device, site = config.devices[device_id or case.device], config.site
    return Subject(
        device=device_id or case.device,
        design_ambient_c=site.design_ambient_c,
        derating=device.derating,
        derating_air=device.derating_air,
        rated_power_w=device.rated_power_w,
        curve_lowering_k=altitude_lowering_k(
            site.altitude_m, site.derating_base_m, site.derating_k_per_km
        ),
        temperature_accuracy_k=config.sensors[device.temperature].accuracy,
        ambient_accuracy_k=(
            None if device.ambient is None else config.sensors[device.ambient].accuracy
        ),
        unit=site.temperature_unit,
    )


def _enclosing(case: Case, device_id: str) -> Enclosing:
    """Measure the settled rise of a device around this one during the after phase."""
    phase = case.phase("after", device_id)
    if phase is None or case.config.devices[device_id].ambient is None:
        return Enclosing(device_id, None)
    unit, before = case.config.site.temperature_unit, case.phase("before", device_id)
    result = analyse_phase(phase, "after", None, unit, before)
    if isinstance(result, str) or result.settling.poor:
        return Enclosing(device_id, None)
    rise = result.rise.widened(rectangular(*_subject(case, device_id).accuracies_k))
    half_k = max(rise.high - rise.value, rise.value - rise.low)
    return Enclosing(device_id, rise.value, half_k)


LONG_OPEN_MS = 86_400_000
"""A phase that is open for longer has likely been forgotten."""


@dataclass(frozen=True)
class TrialState:
    """How far a trial is.

    `settled`: the phase has settled, the next may start. `left_s`: how long that will still take;
    None where it can't be told. `sentences`: all of it in words, warnings after the first.
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
            "sentences": [plain(each) for each in self.sentences],
        }


def state_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> TrialState:
    """Say how far a trial is."""
    if not trial.open:
        return TrialState(trial, True, None, ())
    device = config.devices.get(trial.device)
    if device is None or device.ambient is None:
        sentence = f"{trial.device} with an ambient sensor is no longer in the configuration."
        return TrialState(trial, False, None, (sentence,))
    return state_of_case(case_of(store, config, trial, now_utc_ms), trial, now_utc_ms)


def state_of_case(
    case: Case, trial: TrialRecord, now_utc_ms: int, figures: TrialFigures | None = None
) -> TrialState:
    """Say how far an open trial is; where it is judged already nothing is fitted again."""
    progress, warnings = _progress(case, trial.phase, figures)
    open_ms = now_utc_ms - trial.since_utc_ms
    if open_ms > LONG_OPEN_MS:
        what = f"The {trial.phase} phase" if trial.phase else "The trial"
        warnings.append(
            f"WARNING: {what} of {trial.name} has been open for"
            f" {describe_duration(open_ms / 1000)}; was it forgotten? Enter the next phase, or end"
            f" it: cabinetwatch trial end {trial.name}."
        )
    if trial.phase in CHANGED:
        withheld = sorted(each.name for each in CONDITIONS if each.withheld_in_trial)
        urgent = [each.name for each in CONDITIONS if each.ends_a_trial]
        warnings.append(
            f"While it lasts {', '.join(withheld)} of {trial.device} are suppressed;"
            f" {' and '.join(urgent)} are reported."
        )
    return TrialState(trial, progress.settled, progress.left_s, (progress.sentence, *warnings))


def _progress(
    case: Case, name: str | None, figures: TrialFigures | None
) -> tuple[Progress, list[str]]:
    """How far the phase under way is, and a warning when its cover seems to be off."""
    phase = None if name is None else case.phase(name)
    if name is None or phase is None:
        sentence = (
            "No phase has begun yet. Next: zero with the device off and cold (optional), or before"
            " with all as it is now."
        )
        return Progress(False, None, sentence), []
    if name == "change":
        sentence = (
            "The change phase is not counted. When the change is made and the cover is on again,"
            " begin the after phase."
        )
        return Progress(False, None, sentence), []
    subject, unit = _subject(case), case.config.site.temperature_unit
    if name == "zero":
        return zero_progress(phase, subject), []
    result: PhaseResult | str | None = None
    if figures is not None:
        result = (figures.before if name == "before" else figures.after).result
    if result is None:
        result = analyse_phase(phase, name, threshold_c(subject, None), unit)
    fall = None if isinstance(result, str) else cover_off(result.profile)
    if fall is None:
        return progress_of(result, name, unit), []
    return progress_of(result, name, unit), [f"WARNING: {fall.sentence(name, unit)}"]


NOTHING_FOLLOWS = "Nothing: that takes two phases that can be used."
HOW = "How this was worked out"
MOST_REASONS = 2
"""So many stand beside the verdict; the rest is part of how it was worked out."""

SETTLED = (
    "Settled: steady state was reached, by the criterion of IEC 62368-1 (from memory). Fitted: it"
    " was not; the figure is where the fitted response leads. ± and ranges are at 95 %."
)
CHANGES = "Every change is after minus before, at equal load. Below 1, life is shorter."
PHASE_HEADINGS = (
    *("Phase", "From", "To", "Settling at", "State", "Time constant", "Surrounding air", "Load"),
)

_VERDICTS = {
    "accept": "accept. Cool enough, also on the hottest day.",
    "watch": "watch. It stays below its threshold on the hottest day, with little to spare.",
    "reject": "reject. Undo the change.",
    "undecided": "undecided. This trial cannot decide.",
}


def verdict_words(figures: TrialFigures) -> str:
    """Give the verdict with what it means."""
    return _VERDICTS[figures.verdict]


def phase_rows(case: Case, figures: TrialFigures) -> list[list[str]]:
    """Give a row for each phase, in order of time."""
    measured = {"before": figures.before, "after": figures.after}
    timezone = case.config.site.timezone
    return [
        [
            name,
            *(short_time(at, timezone, "%-d %b %H:%M") for at in (start_ms, end_ms)),
            *_measured(measured.get(name, PhaseFigures()), case.config.site.temperature_unit),
        ]
        for name, (start_ms, end_ms) in case.in_order()
    ]


def _measured(phase: PhaseFigures, unit: TemperatureUnit) -> list[str]:
    if phase.rise is None:
        return [UNKNOWN] * 5
    return [
        phase.rise.written(unit),
        "settled" if phase.settled else "fitted",
        known(phase.time_constant_s, describe_duration),
        known(phase.ambient_c, unit.temperature),
        known(phase.power_w, "{:z.1f} W".format),
    ]


def figure_rows(figures: TrialFigures, unit: TemperatureUnit) -> list[tuple[str, str]]:
    """Give what follows from both phases, as far as it is known."""
    rows = [
        ("Change of settling at", _signed(figures.change, unit)),
        ("Temperature on the hottest day", known(figures.hot_day_temperature_c, unit.temperature)),
        ("Derating threshold", known(figures.threshold_c, unit.temperature)),
        ("Hot-day margin", _signed(figures.hot_day_margin, unit)),
        ("Life (Arrhenius)", known(figures.life_factor, "{:z.2f} times".format)),
        (
            "Life of capacitors (ten-degree rule)",
            known(figures.life_factor_capacitor, "{:z.2f} times".format),
        ),
        ("Change of sound", known(figures.sound_change_db, "{:+z.1f} dB".format)),
    ]
    return [row for row in rows if row[1] != UNKNOWN]


def note_lines(case: Case) -> list[str]:
    """Give what people did meanwhile, a line each."""
    timezone = case.config.site.timezone
    return [f"{short_time(note.utc_ms, timezone)}: {note.text}" for note in case.notes]


class Part(NamedTuple):
    """A part of the sum of the hottest day: where the sum is with it, its kind, and what it is."""

    until_c: float
    kind: str
    text: str


def parts_of_hot_day(case: Case, figures: TrialFigures) -> list[Part]:
    """Give what adds up to the temperature on the hottest day; nothing where that is unknown."""
    if figures.hot_day_temperature_c is None:
        return []
    site, device = case.config.site, case.config.devices[case.device]
    design_c, rise, unit = site.design_ambient_c, figures.after.rise, site.temperature_unit
    parts = [Part(design_c, "outside", f"{unit.temperature(design_c)} outside")]
    for rise_k, words in rises_to_sum(figures.enclosing, unit):
        parts.append(Part(parts[-1].until_c + rise_k, "around", words))
    if device.derating_air == "device" and rise is not None:
        own = f"{unit.difference(rise.value)} of its own"
        parts.append(Part(parts[-1].until_c + rise.value, "own", own))
    return parts


_BAR_COLUMNS = 56
_FILLS = {"outside": "=", "around": "+", "own": "#"}


def bar_lines(case: Case, figures: TrialFigures) -> list[str]:
    """Draw the sum of the hottest day of letters; nothing where it is unknown."""
    parts, hot_c = parts_of_hot_day(case, figures), figures.hot_day_temperature_c
    if hot_c is None:
        return []
    threshold_c, unit = figures.threshold_c, case.config.site.temperature_unit
    end_c = max(hot_c, hot_c if threshold_c is None else threshold_c)
    least_c = min(0.0, parts[0].until_c)

    def column(value_c: float) -> int:
        return round(_BAR_COLUMNS * (value_c - least_c) / max(1.0, end_c - least_c))

    bar = ""
    for part in parts:
        bar = bar[: column(part.until_c)].ljust(column(part.until_c), _FILLS[part.kind])
    lines = [f"{bar} {unit.temperature(hot_c)}"]
    if threshold_c is not None:
        place = max(0, column(threshold_c) - 1)
        lines.append(f"{' ' * place}^ threshold {unit.temperature(threshold_c)}")
    return [*lines, "  ".join(f"{_FILLS[part.kind]} {part.text}" for part in parts)]


def _signed(estimate: Estimate | None, unit: TemperatureUnit) -> str:
    return UNKNOWN if estimate is None else estimate.written(unit, sign=True)
