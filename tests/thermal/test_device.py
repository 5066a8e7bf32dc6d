"""The device observer: rise, heading, lost cooling, and what must never raise an alarm."""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from math import sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.learning import HIGHEST, LoadExcursions
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import DAY_S, HOUR_S, Course, Scene, TwoParts, door, step_at

WITH_POWER = DeviceSettings(
    has_power=True, normal_rise_k=12.0, normal_power_w=40.0, time_constant_s=900.0
)
WITHOUT_POWER = DeviceSettings(normal_rise_k=12.0, time_constant_s=900.0)
KNOWN_POWER = pytest.mark.parametrize(
    "configured", [WITH_POWER, WITHOUT_POWER], ids=["power", "no power"]
)
FAULT_S = 3 * HOUR_S


class Run:
    """An observer that has lived through a scene, and when each finding began (s)."""

    def __init__(
        self,
        scene: Scene,
        until_s: float,
        configured: DeviceSettings = WITH_POWER,
        silent_s: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        self.observer = observer = DeviceObserver(configured)
        self.losses: list[float] = []
        self.missing: list[float] = []
        self.settled_k: list[float] = []
        was_lost = was_missing = False
        for t_ms, temperature_c, ambient_c, power_w in scene.readings(until_s):
            t_s = t_ms / 1000.0
            known_w = None if silent_s[0] <= t_s < silent_s[1] else power_w
            observer.update(t_ms, temperature_c, ambient_c, known_w)
            lost, missing = observer.cooling_loss.standing, observer.rise_missing.standing
            self.losses += [t_s] if lost and not was_lost else []
            self.missing += [t_s] if missing and not was_missing else []
            was_lost, was_missing = lost, missing
            if silent_s[0] < t_s and silent_s[1] and observer.figures is not None:
                self.settled_k.append(observer.figures.settled_rise_k)

    @property
    def found(self) -> tuple[list[float], list[float]]:
        """When lost cooling was found, and a missing rise."""
        return self.losses, self.missing


@pytest.mark.parametrize("interval_s", [1.0, 10.0, 60.0, 600.0])
def test_rise_and_settled_rise_are_found_in_the_steady_state(interval_s: float) -> None:
    run = Run(Scene(interval_s=interval_s), HOUR_S if interval_s < 10 else 6 * HOUR_S)
    figures = run.observer.figures
    assert figures is not None
    assert figures.rise_k == pytest.approx(12.0, abs=0.3)
    assert figures.settled_rise_k == pytest.approx(12.0, abs=2 * figures.settled_rise_sd_k)
    assert figures.resistance_k_per_w == pytest.approx(0.3, abs=0.03)
    assert run.found == ([], [])
    assert run.observer.forecast(45.0, HOUR_S).probability < 0.01


@KNOWN_POWER
def test_a_stall_is_found_in_three_minutes_and_dated(configured: DeviceSettings) -> None:
    run = Run(Scene(loss=step_at(FAULT_S, 1.0, 2.0)), FAULT_S + HOUR_S, configured)
    assert 0 < run.losses[0] - FAULT_S <= 180
    assert run.observer.cooling_loss.since_ms / 1000 == pytest.approx(FAULT_S, abs=60)
    assert run.observer.cooling_loss.standing


def test_a_half_stall_is_found() -> None:
    run = Run(Scene(loss=step_at(FAULT_S, 1.0, 1.4)), FAULT_S + 2 * HOUR_S)
    assert 0 < run.losses[0] - FAULT_S < 900


def test_lost_cooling_is_found_though_the_load_falls_at_once() -> None:
    scene = Scene(loss=step_at(FAULT_S, 1.0, 2.5), power_w=step_at(FAULT_S, 40.0, 20.0))
    assert Run(scene, FAULT_S + 2 * HOUR_S).losses


@pytest.mark.parametrize(
    ("factor", "lasts_s", "returns_s"),
    [(2.0, HOUR_S, 5 * HOUR_S), (1.6, 8 * HOUR_S, 1.25 * HOUR_S)],
    ids=["short", "as soon after a long one"],
)
def test_lost_cooling_returns_when_it_is_mended(
    factor: float, lasts_s: float, returns_s: float
) -> None:
    scene = Scene(loss=lambda t: factor if FAULT_S <= t < FAULT_S + lasts_s else 1.0)
    run = Run(scene, FAULT_S + lasts_s + returns_s)
    assert run.losses
    assert not run.observer.cooling_loss.standing


QUIET = {
    "load step": Scene(power_w=step_at(FAULT_S, 20.0, 40.0)),
    "load falls": Scene(power_w=step_at(FAULT_S, 40.0, 15.0)),
    "door": Scene(ambient_c=door(FAULT_S, FAULT_S + 600, 22.0, 8.0)),
    "short door": Scene(ambient_c=door(FAULT_S, FAULT_S + 120, 22.0, 10.0)),
    "hot week": Scene(ambient_c=lambda t: 20.0 + 10.0 * min(1.0, t / (6 * HOUR_S))),
    "heating": Scene(ambient_c=lambda t: 20.0 + 1.5 * sin(t / 300.0)),
    "switched": Scene(power_w=lambda t: 0.0 if FAULT_S <= t < FAULT_S + 3 * HOUR_S else 40.0),
    "cover off": Scene(loss=lambda t: 0.15 if FAULT_S <= t < FAULT_S + HOUR_S / 2 else 1.0),
}


@pytest.mark.parametrize("name", QUIET)
def test_ordinary_life_raises_nothing(name: str) -> None:
    assert Run(replace(QUIET[name], interval_s=30.0), FAULT_S + 5 * HOUR_S).found == ([], [])


@pytest.mark.parametrize("factor", [0.6, 1.4])
def test_a_time_constant_forty_percent_wrong_raises_nothing_on_load_steps(factor: float) -> None:
    scene = Scene(interval_s=20.0, power_w=lambda t: 40.0 if (t % 7200) < 3600 else 15.0)
    configured = replace(WITH_POWER, time_constant_s=900.0 * factor)
    assert Run(scene, 8 * HOUR_S, configured).found == ([], [])


@pytest.mark.parametrize("factor", [0.6, 1.4])
def test_the_interval_of_the_settled_rise_holds_the_truth(factor: float) -> None:
    scene = Scene(
        interval_s=20.0,
        power_w=lambda t: 40.0 if (t % 7200) < 3600 else 20.0,
        loss=step_at(FAULT_S, 1.0, 1.8),
    )
    observer = DeviceObserver(replace(WITH_POWER, time_constant_s=900.0 * factor))
    held = judged = 0
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(3 * FAULT_S):
        if not observer.update(t_ms, temperature_c, ambient_c, power_w) or t_ms < 3_600_000:
            continue
        truth = 12.0 * power_w / 40.0 * scene.loss(t_ms / 1000)
        figures = observer.figures
        assert figures is not None
        judged += 1
        held += abs(figures.settled_rise_k - truth) <= 1.96 * figures.settled_rise_sd_k
    assert held / judged >= 0.9


@KNOWN_POWER
def test_of_a_loss_that_crept_in_it_is_known_where_it_settles(configured: DeviceSettings) -> None:
    scene = Scene(interval_s=20.0, loss=lambda t: 1.0 + max(0.0, t - FAULT_S) / (40 * HOUR_S))
    observer = DeviceObserver(configured)
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(FAULT_S + 40 * HOUR_S):
        observer.update(t_ms, temperature_c, ambient_c, power_w)
        if observer.cooling_loss.standing:
            break
    figures = observer.figures
    assert figures is not None
    truth_k = 12.0 * scene.loss(t_ms / 1000)
    assert truth_k < 18.0
    half_width_k = 1.96 * figures.settled_rise_sd_k
    assert abs(figures.settled_rise_k - truth_k) <= half_width_k < 0.25 * truth_k


def test_a_slipped_probe_is_a_missing_rise() -> None:
    run = Run(Scene(loss=step_at(FAULT_S, 1.0, 0.15)), FAULT_S + 2 * HOUR_S)
    assert run.missing
    assert not run.losses


@pytest.mark.parametrize("trouble", ["outage", "wild values", "doubled"])
def test_a_troubled_record_raises_nothing(trouble: str) -> None:
    observer = DeviceObserver(WITH_POWER)
    for i, (t_ms, temperature_c, *rest) in enumerate(Scene().readings(4 * HOUR_S)):
        if trouble == "outage" and HOUR_S < t_ms / 1000 < 3 * HOUR_S:
            continue
        wild_k = 50.0 if trouble == "wild values" and i % 200 == 199 else 0.0
        for _ in range(2 if trouble == "doubled" else 1):
            observer.update(t_ms, temperature_c + wild_k, *rest)
        assert not observer.cooling_loss.standing
        assert not observer.rise_missing.standing


@KNOWN_POWER
def test_halfway_the_forecast_is_within_thirty_percent(configured: DeviceSettings) -> None:
    crossing_s = 0.9163 * 1800.0  # -ln(1 - 0.6) time constants of the slowed response
    scene = Scene(loss=step_at(FAULT_S, 1.0, 2.0))
    observer = Run(scene, FAULT_S + crossing_s / 2, configured).observer
    forecast = observer.forecast(20.0 + 12.0 + 0.6 * 12.0, 4 * HOUR_S)
    assert forecast.probability > 0.9
    assert forecast.probability == observer.probability(20.0 + 12.0 + 0.6 * 12.0, 4 * HOUR_S)
    assert forecast.time_left_s == pytest.approx(crossing_s / 2, rel=0.3)


@settings(max_examples=2, deadline=None)
@given(shift_k=st.integers(-40, 40), split=st.integers(5, 900), has_power=st.booleans())
def test_a_shift_changes_no_rise_and_a_save_changes_nothing(
    shift_k: int, split: int, has_power: bool
) -> None:
    configured = WITH_POWER if has_power else WITHOUT_POWER
    plain, shifted = DeviceObserver(configured), DeviceObserver(configured)
    saved = DeviceObserver(configured)
    scene = Scene(
        loss=step_at(2 * HOUR_S, 1.0, 1.7),
        power_w=lambda t: 40.0 if t % 5000 < 2500 else 25.0,
        ambient_c=door(3000, 3400, 21.0, 5.0),
    )
    for i, (t_ms, temperature_c, ambient_c, power_w) in enumerate(scene.readings(10_000)):
        plain.update(t_ms, temperature_c, ambient_c, power_w)
        shifted.update(t_ms, temperature_c + shift_k, ambient_c + shift_k, power_w)
        saved.update(t_ms, temperature_c, ambient_c, power_w)
        if i == split:
            saved = DeviceObserver.load(configured, json.loads(json.dumps(saved.save())))
            # A witness of a sensor that stands still asks for it before the next step.
            assert saved.expectation == plain.expectation
    assert plain.figures is not None
    assert shifted.figures is not None
    assert asdict(plain.figures) == asdict(saved.figures)  # type: ignore[arg-type]
    assert plain.save() == saved.save()
    assert shifted.figures.rise_k == pytest.approx(plain.figures.rise_k, abs=1e-6)
    assert shifted.figures.settled_rise_k == pytest.approx(plain.figures.settled_rise_k, abs=1e-5)
    assert shifted.cooling_loss.standing == plain.cooling_loss.standing


# --- a power that isn't known for a while ---

SILENT = SILENT_S, HEARD_S = 6 * HOUR_S, 9 * HOUR_S
END_S = HEARD_S + 3 * HOUR_S


@pytest.mark.parametrize(
    "power_w",
    [
        lambda _t: 20.0,
        step_at(7 * HOUR_S, 20.0, 40.0),
        step_at(7 * HOUR_S, 40.0, 15.0),
        step_at(HEARD_S - 300.0, 40.0, 15.0),
        step_at(HEARD_S - 300.0, 15.0, 40.0),
    ],
    ids=["half", "rises", "falls", "falls just before", "rises just before"],
)
def test_a_power_that_falls_silent_raises_nothing_and_invents_no_rise(power_w: Course) -> None:
    run = Run(Scene(power_w=power_w), END_S, silent_s=SILENT)
    assert run.found == ([], [])
    assert 3.0 < min(run.settled_k) <= max(run.settled_k) < 15.0
    figures = run.observer.figures
    assert figures is not None
    truth_k = 12.0 * power_w(END_S) / 40.0
    assert abs(figures.settled_rise_k - truth_k) < 1.96 * figures.settled_rise_sd_k


@pytest.mark.parametrize("stall_s", [7 * HOUR_S, HEARD_S - 60.0, HEARD_S + 60.0])
def test_a_stall_around_the_silence_is_found_all_the_same(stall_s: float) -> None:
    run = Run(
        Scene(interval_s=20.0, loss=step_at(stall_s, 1.0, 2.0)), END_S - HOUR_S, silent_s=SILENT
    )
    assert 0.0 < run.losses[0] - stall_s < 1800.0
    assert not run.missing


def test_a_loss_goes_on_over_the_silence() -> None:
    run = Run(
        Scene(interval_s=20.0, loss=step_at(SILENT_S - HOUR_S, 1.0, 2.0)), END_S, silent_s=SILENT
    )
    assert len(run.losses) == 1
    assert run.observer.cooling_loss.standing


# --- loads that were never seen, before anything is learnt ---


def busy_evenings(share: float) -> Course:
    """Two hours of more load every eight hours, from the seventh on."""
    return lambda t: 40.0 * (share if t % (8 * HOUR_S) >= 6 * HOUR_S else 1.0)


@pytest.mark.parametrize(
    "scene",
    [
        *(Scene(interval_s=60.0, power_w=busy_evenings(share)) for share in (1.3, 1.55)),
        # A part of the device is quicker than was said.
        TwoParts(tau_s=1400.0, interval_s=60.0, power_w=busy_evenings(1.5)),
    ],
)
def test_a_load_that_recurs_is_told_once_at_most(scene: Scene) -> None:
    assert len(Run(scene, 2.0 * DAY_S, WITHOUT_POWER).losses) <= 1


def test_a_stall_is_found_though_the_load_was_seen_to_vary() -> None:
    stall_s = DAY_S + HOUR_S
    scene = Scene(interval_s=60.0, power_w=busy_evenings(1.55), loss=step_at(stall_s, 1.0, 1.7))
    assert Run(scene, stall_s + 3 * HOUR_S, WITHOUT_POWER).losses[-1] > stall_s


def test_a_device_off_from_the_start_is_neither_missing_nor_lost_when_it_comes_on() -> None:
    scene = Scene(interval_s=60.0, power_w=lambda t: 40.0 if t % DAY_S > 18 * HOUR_S else 0.4)
    assert Run(scene, 1.5 * DAY_S, WITHOUT_POWER).found == ([], [])


def test_a_first_night_off_leaves_no_loss_behind_when_it_comes_on() -> None:
    scene = Scene(interval_s=120.0, power_w=lambda t: 0.2 if 4 < t / DAY_S < 4.4 else 40.0)
    losses, missing = Run(scene, 5 * DAY_S, WITHOUT_POWER).found
    assert (losses, len(missing)) == ([], 1)


def test_a_peak_counts_when_it_is_gone_and_up_to_a_limit_only() -> None:
    excursions = LoadExcursions(10.0)
    assert not any(excursions.take(level_k) for level_k in (10.0, 12.0, 13.0, 11.9))
    assert excursions.take(11.4)
    assert excursions.top_k == 13.0
    assert not any(excursions.take(level_k) for level_k in (12.9, 10.0))
    assert any(excursions.take(level_k) for level_k in (30.0, 10.0))
    assert excursions.top_k == pytest.approx(10.0 * HIGHEST)
    assert LoadExcursions.load(excursions.save()) == excursions


@dataclass
class StandingStill(Scene):
    """Its own temperature stands still from some time on, but for a flicker of the last digit."""

    from_s: float = FAULT_S

    def readings(self, duration_s: float) -> Iterator[tuple[int, float, float, float]]:
        """Readings as they come; the temperature as it was last."""
        stood_c = None
        for t_ms, temperature_c, ambient_c, power_w in super().readings(duration_s):
            if t_ms < 1000 * self.from_s or stood_c is None:
                stood_c = temperature_c
            flicker_k = self.step_k * (t_ms // 1000 * 7 % 13 % 3 - 1)
            stands = t_ms >= 1000 * self.from_s
            yield t_ms, stood_c + flicker_k if stands else temperature_c, ambient_c, power_w


@pytest.mark.parametrize("falls", ["the ambient", "the load"])
def test_a_sensor_that_stands_still_while_what_drives_it_falls_is_no_lost_cooling(
    falls: str,
) -> None:
    def falling(t_s: float) -> float:
        return max(0.0, min(1.0, (t_s - FAULT_S) / (4 * HOUR_S)))

    scene = StandingStill(step_k=0.1, interval_s=30.0)
    if falls == "the load":
        scene.power_w = lambda t: 40.0 - 25.0 * falling(t)
    else:
        scene.ambient_c = lambda t: 20.0 - 6.0 * falling(t)
    run = Run(scene, FAULT_S + 8 * HOUR_S)
    assert run.found == ([], [])
    # It lay in the sensor alone.
    scene.from_s = FAULT_S + 24 * HOUR_S
    assert Run(scene, FAULT_S + 8 * HOUR_S).found == ([], [])


@KNOWN_POWER
def test_a_stall_of_a_device_that_stood_still_meanwhile_is_found_as_soon_as_any(
    configured: DeviceSettings,
) -> None:
    """Its ambient falls, and what its cooling has lost makes up for that until it shows."""
    steady = Scene(step_k=0.1, loss=step_at(FAULT_S, 1.0, 2.0))
    falling = replace(steady, ambient_c=lambda t: 20.0 - min(max(0.0, (t - FAULT_S) / 150), 2.0))
    usual, late = (
        Run(scene, FAULT_S + HOUR_S, configured).losses[0] - FAULT_S for scene in (steady, falling)
    )
    assert 0.0 < late <= usual + 120.0
