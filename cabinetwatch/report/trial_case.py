"""A trial put together: the device, its intervals, its readings, what people noted; and judged."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.report.page_marks import Deed
from cabinetwatch.report.trial_readings import Interval, Readings, phase_of, sensors_of
from cabinetwatch.thermal.derating import altitude_lowering_k
from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.consequence import threshold_c
from cabinetwatch.trial.data import EMPTY, Enclosing, Phase, Subject, Terms, Trial
from cabinetwatch.trial.estimate import rectangular
from cabinetwatch.trial.figures import PhaseFigures, TrialFigures
from cabinetwatch.trial.phases import PhaseResult, analyse_phase
from cabinetwatch.trial.reasons import ASSUMED_ACCURACY_K

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
    notes: tuple[Deed, ...] = field(default=())
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
