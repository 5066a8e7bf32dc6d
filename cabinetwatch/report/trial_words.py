"""The figures of a trial report as people read them: on a terminal and on the page."""

from cabinetwatch.report.page_words import UNKNOWN, number, short_time
from cabinetwatch.report.trial_case import Case
from cabinetwatch.times import describe_duration
from cabinetwatch.trial.estimate import Estimate
from cabinetwatch.trial.figures import PhaseFigures, TrialFigures

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
