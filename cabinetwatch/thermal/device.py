"""The observer of one device: from its readings to rise, heading, normal rise and lost cooling.

It is the border of the core: readings come in one by one, and at the end of each window
(`windows`) the estimator (`rise`) goes on, the tests (`detection`) judge, and the record of the
first days (`identification`, `learning`) grows until it teaches. It forgets nothing over a save.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

from cabinetwatch.config.values import POSSIBLE
from cabinetwatch.thermal.detection import ChangeTest, Finding
from cabinetwatch.thermal.forecast import (
    Forecast,
)
from cabinetwatch.thermal.identification import History
from cabinetwatch.thermal.learning import (
    SMALLEST_MISSED_RISE_K,
    Learnt,
    LoadExcursions,
    commissioned,
    learn,
    provisional,
    unseen_excursions,
    warm_expectation,
    with_excursions,
)
from cabinetwatch.thermal.response import (
    Response,
    unlearnt_response,
)
from cabinetwatch.thermal.rise import (
    OFF_SHARE,
    SETTLE_TAUS,
    NormalRise,
    RiseEstimator,
)
from cabinetwatch.thermal.sensing import StuckWatch
from cabinetwatch.thermal.windows import DeviceSettings, Figures, Saved, Window, WindowGatherer

STATE_VERSION = 5
DAY_MS = 86_400_000
PROVISIONAL_DAYS = 3.0
_LESSONS_APART_DAYS = 2.0
_SMALLEST_SLOW_SD_K = 0.1

_COLDEST_C, _HOTTEST_C = POSSIBLE["temperature"]
_MOST_W = 100.0 * POSSIBLE["power"][1]
"""Of all its supplies together."""

STILL_K = 1.0
"""How far what a device's model expects of its temperature must move while that stands."""

_LEAST_RISE_K = 0.01
_LOWS_TO_BE_OFF = 2
"""A lone reading of no power is not off: what was on a moment ago, and is again, has not cooled."""

MOST_DUST = 1.35
"""Lost cooling beyond this is no dust, and tells nothing of a drift; below it dust may be why."""

_MOST_ALLOWED = 0.15
"""Our choice: more of the normal rise would hide a stall for too long."""

_SHORTEST_PATIENCE_S, _LONGEST_PATIENCE_S = 30.0, 120.0


@dataclass(frozen=True, slots=True)
class LearningStatus:
    """How far learning is.

    `stage`: "none", "provisional", "frozen" or "commissioned" (nothing was to be learnt but the
    response's details). `learnt_ms` is when; `loads_w` the span of power seen, None without power.
    """

    stage: str
    days: float
    learnt_ms: int | None
    loads_w: tuple[float, float] | None
    confidence: str | None
    remarks: tuple[str, ...]


class Expected(NamedTuple):
    """What a device's temperature consists of by its model: the ambient as felt, the load's part.

    `reckoning` changes when they are reckoned anew, and may jump for that. Unless `response_known`,
    given or learnt, the device may follow them far more slowly.
    """

    t_ms: int
    reckoning: int
    felt_ambient_c: float
    load_rise_k: float
    response_known: bool


class DeviceObserver(Saved):
    """Follows one device; feed it good readings only, in the order of their times.

    What no reading can be is passed over, so that whatever it is fed it goes on. ValueError for
    settings that can't be reckoned with.
    """

    kept = (
        "is_off", "_was_cold", "_judged_ms", "_learnt_ms", "_first_ms", "_next_lesson_days",
        "_on_since_ms", "_lows", "_low_since_ms",
    )  # fmt: skip

    def __init__(self, settings: DeviceSettings) -> None:
        self.settings = settings
        self.is_off = self._was_cold = False
        self._figures: Figures | None = None
        self._judged: tuple[Window, bool] | None = None
        self._judged_ms: int | None = None
        self._windows = WindowGatherer(settings.has_power)
        self._learnt: Learnt | None = None
        self._learnt_ms: int | None = None
        self._first_ms: int | None = None
        self._history: History | None = History()
        self._next_lesson_days = min(PROVISIONAL_DAYS, settings.learning_days)
        self._on_since_ms: int | None = None
        self._lows = 0
        self._low_since_ms: int | None = None
        self._above = ChangeTest(1, settings.false_alarms_per_year)
        self._below = ChangeTest(-1, settings.false_missing_per_year)
        self._estimator = RiseEstimator(
            unlearnt_response(settings.time_constant_s), commissioned(settings)
        )
        self._excursions = unseen_excursions(settings)
        self._still = StuckWatch(STILL_K)
        self._meet_model()

    # --- readings in -------------------------------------------------------------------------

    def observe_ambient(self, t_ms: int, ambient_c: float) -> bool:
        """Take a reading of the ambient; True when the device was judged anew at it."""
        if not _COLDEST_C <= ambient_c <= _HOTTEST_C:
            return False
        self._estimator.ambient_step.take(ambient_c)
        window = self._windows.ambient(t_ms, ambient_c)
        return window is not None and self._judge(window)

    def observe_power(self, t_ms: int, power_w: float | None) -> bool:
        """Take a reading of the power, None when it isn't known any more; True when judged."""
        if power_w is not None:
            if not -_MOST_W <= power_w <= _MOST_W:
                return False
            self._lows = self._lows + 1 if power_w < self._off_below_w else 0
        window = self._windows.power(t_ms, power_w)
        return window is not None and self._judge(window)

    def observe_temperature(self, t_ms: int, temperature_c: float) -> bool:
        """Take a reading of the device's temperature; True when judged anew."""
        if not _COLDEST_C <= temperature_c <= _HOTTEST_C:
            return False
        self._estimator.own_step.take(temperature_c)
        window = self._windows.temperature(t_ms, temperature_c)
        return window is not None and self._judge(window)

    def update(
        self, t_ms: int, temperature_c: float, ambient_c: float, power_w: float | None
    ) -> bool:
        """Take all three at one instant; True when judged anew."""
        judged = self.observe_ambient(t_ms, ambient_c)
        if self.settings.has_power:
            judged = self.observe_power(t_ms, power_w) or judged
        return self.observe_temperature(t_ms, temperature_c) or judged

    def lose_ambient(self) -> None:
        """The ambient is lost: nothing is judged until it speaks again."""
        self._windows.forget_ambient()

    # --- answers -----------------------------------------------------------------------------

    @property
    def figures(self) -> Figures | None:
        """The figures of the last step; None before the first. Put together when asked for."""
        if self._judged is not None:
            window, lost = self._judged
            self._figures = self._estimator.figures(window, lost, self.is_off)
            self._judged = None
        return self._figures

    @property
    def expectation(self) -> Expected | None:
        """What the temperature would be by ambient and load alone; None before the first step."""
        if self._judged_ms is None:
            return None
        expected = self._estimator.expected
        reckoning = 2 * (self._learnt_ms or 1) + (self._estimator.load_goal_k > 0.0)
        known = self._learnt is not None or self.settings.time_constant_s is not None
        felt_c, load_rise_k = expected.felt_ambient_c, expected.load_rise_k
        return Expected(self._judged_ms, reckoning, felt_c, load_rise_k, known)

    @property
    def cooling_loss(self) -> Finding:
        """Settled rise above the normal band."""
        return self._above.finding

    @property
    def falls(self) -> bool:
        """Whether the rise still has to fall clearly to where it is heading.

        Where cooling was lost, what the device has stored comes out then.
        """
        return self._estimator.falls()

    def excuse_heat(self, t_ms: int) -> None:
        """Heat comes from what stands inside: what is seen of a higher rise is no lost cooling."""
        self._above.reset(t_ms)

    @property
    def rise_missing(self) -> Finding:
        """Settled rise well below normal."""
        return self._below.finding

    @property
    def normal(self) -> NormalRise | None:
        """The normal band in force."""
        return self._estimator.normal

    @property
    def response(self) -> Response:
        """The thermal response in force."""
        return self._estimator.response

    @property
    def applies(self) -> bool:
        """False while off, and until three time constants after it came on."""
        if self.is_off or self._judged_ms is None:
            return False
        since = self._on_since_ms
        if since is None:
            return True
        return self._judged_ms - since >= SETTLE_TAUS * 1000.0 * self.response.tau_s

    @property
    def rise_ratio(self) -> float | None:
        """Rise over normal rise at this load, for the drift observer; None when it can't be told.

        Without power it is the rise over the top of the band, and follows the load too.
        """
        figures, normal, estimator = self.figures, self.normal, self._estimator
        if figures is None or normal is None or not self.applies:
            return None
        has_law = estimator.load_goal_k > 0.0
        usual_k = estimator.expected.load_rise_k if has_law else normal.rise_k
        if usual_k < 0.3 * normal.rise_k or estimator.doubt_k > 0.1 * usual_k:
            return None
        if usual_k < _LEAST_RISE_K:
            return None
        ratio = figures.rise_k / usual_k
        if self.cooling_loss.standing and ratio > MOST_DUST:
            return None
        return ratio

    @property
    def learning(self) -> LearningStatus:
        """How far learning is, and what it told."""
        learnt, days = self._learnt, 0.0
        if self._first_ms is not None and self._judged_ms is not None:
            days = (self._judged_ms - self._first_ms) / DAY_MS
        stage = "none"
        if self.settings.normal_rise_k is not None:
            stage = "commissioned"
        elif learnt is not None:
            stage = "frozen" if self._history is None else "provisional"
        if learnt is None:
            return LearningStatus(stage, days, None, None, None, ())
        loads = None
        if learnt.lowest_power_w is not None and learnt.highest_power_w is not None:
            loads = (learnt.lowest_power_w, learnt.highest_power_w)
        return LearningStatus(
            stage, days, self._learnt_ms, loads, learnt.confidence, learnt.remarks
        )

    def forecast(self, threshold_c: float, horizon_s: float, *, fan_lost: bool = False) -> Forecast:
        """When the device will reach the threshold, on its present heading.

        `fan_lost`: its fan is seen to be slow, so that cooling is lost whatever the rise shows yet.
        ValueError for a threshold or horizon that can't be reckoned with.
        """
        figures = self.figures
        if figures is None:
            return Forecast(0.0, None, None, None)
        lost = fan_lost or self.cooling_loss.standing
        return self._estimator.forecast(figures, threshold_c, horizon_s, lost)

    def probability(self, threshold_c: float, horizon_s: float, *, fan_lost: bool = False) -> float:
        """The probability of `forecast` alone, with less work."""
        figures = self.figures
        if figures is None:
            return 0.0
        lost = fan_lost or self.cooling_loss.standing
        return self._estimator.probability(figures, threshold_c, horizon_s, lost)

    # --- one step ----------------------------------------------------------------------------

    def _judge(self, window: Window) -> bool:
        if self._first_ms is None:
            self._first_ms = window.t_ms - window.step_ms
        lost = self._above.finding.standing
        moved_k = self._estimator.advance(window, lost)
        if moved_k != 0.0:
            self._above.shift(moved_k)
            self._below.shift(moved_k)
            self._still.begin()
        expected, step_k = self._estimator.expected, self._estimator.own_step.step
        driver_c = expected.felt_ambient_c + expected.load_rise_k
        self._still.observe(window.t_ms, window.temperature_c, driver_c, step_k)
        self._watch_off(window)
        self._judged, self._judged_ms = (window, lost), window.t_ms
        normal = self._estimator.normal
        if normal is not None:
            self._test(window, normal)
        if self._history is not None:
            self._history.add(window)
            self._learn_if_due(window.t_ms, self._history, self._first_ms)
        return True

    def _watch_off(self, window: Window) -> None:
        power_w, normal = window.last_power_w, self.normal
        off = False
        if self.settings.has_power and power_w is not None:
            off = self._is_off(window, power_w)
        elif self.settings.has_power and self.is_off:
            # Its power isn't known any more: that turns nothing on.
            off = True
        elif normal is not None and normal.off_rise_k is not None:
            off = self._estimator.filter.level_k < normal.off_rise_k
        cold = off or self._is_cold()
        if self._was_cold and not cold:
            self._on_since_ms = window.t_ms
        self.is_off, self._was_cold = off, cold

    def _is_off(self, window: Window, power_w: float) -> bool:
        """Whether it draws next to nothing, by two readings, or for a time constant by one."""
        if power_w >= self._off_below_w:
            self._low_since_ms = None
            return False
        if self._low_since_ms is None:
            self._low_since_ms = window.t_ms
        lasts_ms = window.t_ms - self._low_since_ms
        return self._lows >= _LOWS_TO_BE_OFF or lasts_ms >= 1000.0 * self.response.tau_s

    def _is_cold(self) -> bool:
        """Without power: whether it is as cold as a device that is off, be it known as one or not.

        What comes back from there is judged as one that was switched on.
        """
        normal = self.normal
        if self.settings.has_power or normal is None:
            return False
        return self._estimator.filter.level_k < normal.cold_below_k

    def _test(self, window: Window, normal: NormalRise) -> None:
        estimator, above, below, t_ms = self._estimator, self._above, self._below, window.t_ms
        if estimator.starts or not self.applies:
            above.reset(t_ms)
            below.reset(t_ms)
            return
        load_goal_k, was_lost = estimator.load_goal_k, above.finding.standing
        usual_k, highest_k, lowest_k = estimator.normal_k or (0.0, 0.0, 0.0)
        slow_sd_k = self._slow_sd_k(normal)
        if self._was_cold:
            above.reset(t_ms)
        else:
            # Without power it may be switched off, with its cooling in order.
            other_k = lowest_k if load_goal_k > 0.0 else 0.0
            above.advance(window, estimator, normal, (highest_k, other_k), slow_sd_k)
        if above.finding.standing and not was_lost:
            if self._still.is_doubtful(estimator.own_step.step):
                # What ambient and load did is no heat unless the temperature moves by itself.
                above.finding.standing = False
            else:
                estimator.adapt_to_loss(above.finding.since_ms, t_ms)
        elif was_lost and not above.finding.standing and normal.power_w is None:
            self._allow(above.take_excess_k(), normal)
        if self._excursions is not None:
            self._watch_excursions(normal, window.last_power_w)
        if usual_k >= SMALLEST_MISSED_RISE_K and not self._may_be_off():
            below.advance(window, estimator, normal, (lowest_k, highest_k), slow_sd_k)
        else:
            below.reset(t_ms)

    def _allow(self, excess_k: float, normal: NormalRise) -> None:
        """Without power: what passed the bound, never left the band and went by itself was a load.

        A fan that stands takes the rise out of the band, and does not go by itself.
        """
        excess_k = min(excess_k, _MOST_ALLOWED * normal.rise_k)
        if self._learnt is not None and excess_k > normal.excess_k:
            self._estimator.normal = replace(normal, excess_k=excess_k)
            self._learnt = replace(self._learnt, normal=self._estimator.normal)

    def _watch_excursions(self, normal: NormalRise, power_w: float | None) -> None:
        """Before anything is learnt: hold a rise that went by itself to be what the load does."""
        excursions, estimator = self._excursions, self._estimator
        if excursions is not None and excursions.take(estimator.filter.stable_level_k):
            estimator.normal = with_excursions(normal, excursions)
            estimator.judge_load(estimator.normal, power_w)

    def _slow_sd_k(self, normal: NormalRise) -> float:
        """Deviation that means over half a time constant show in ordinary life."""
        learnt, least = self._learnt, _SMALLEST_SLOW_SD_K
        if learnt is not None and normal.power_w is not None:
            least = max(least, learnt.noise_k)
        return max(least, 0.02 * normal.rise_k)

    def _may_be_off(self) -> bool:
        """Without power: the rise falls, and the device has been seen off before.

        Before anything is learnt it may have been off half of its life.
        """
        normal, estimator = self.normal, self._estimator
        if normal is None or estimator.load_goal_k > 0.0:
            return False
        if self._excursions is not None:
            return True
        if normal.off_rise_k is None:
            return False
        heading = estimator.filter
        falling = heading.goal_k < heading.level_k - 0.1 * normal.rise_k
        return falling or heading.goal_k < normal.off_rise_k + 2.0 * heading.goal_sd_k

    # --- learning ----------------------------------------------------------------------------

    def _learn_if_due(self, t_ms: int, history: History, first_ms: int) -> None:
        days = (t_ms - first_ms) / DAY_MS
        if days < self._next_lesson_days:
            return
        settings = self.settings
        learnt = learn(
            history,
            settings.has_power,
            settings.time_constant_s,
            commissioned(settings),
            settings.off_below_w or OFF_SHARE * (settings.rated_power_w or 0.0),
        )
        is_final = days >= settings.learning_days
        if learnt is not None and not is_final:
            learnt = provisional(learnt, settings)
        if learnt is None:
            # Too little was recorded: go on for another day.
            self._next_lesson_days = days + 1.0
            return
        self._next_lesson_days = min(days + _LESSONS_APART_DAYS, settings.learning_days)
        self._learnt, self._learnt_ms = learnt, t_ms
        self._excursions = None
        self._figures = self.figures  # of the model that made them
        before, self._estimator = self._estimator, RiseEstimator(learnt.response, learnt.normal)
        self._estimator.inherit(before)
        warm_expectation(self._estimator.expected, history, learnt.normal)
        self._meet_model()
        self._above.reset(t_ms)
        self._below.reset(t_ms)
        self._still.begin()
        if is_final:
            self._history = None

    def _meet_model(self) -> None:
        """A silent input is waited for as long as the device's own pace allows; when is it off?"""
        patience_s = min(_LONGEST_PATIENCE_S, self.response.tau_s / 8.0)
        self._windows.patience_ms = round(1000.0 * max(_SHORTEST_PATIENCE_S, patience_s))
        settings, normal = self.settings, self.normal
        known_w = settings.rated_power_w or settings.normal_power_w
        if known_w is None and normal is not None:
            known_w = normal.power_w
        given_w, share_w = settings.off_below_w, OFF_SHARE * (known_w or 0.0)
        self._off_below_w = share_w if given_w is None else given_w

    def restarted(self) -> DeviceObserver:
        """An observer that has seen nothing yet, with all that this one has learnt."""
        new = DeviceObserver(self.settings)
        for name in ("_learnt", "_learnt_ms", "_first_ms", "_history", "_next_lesson_days"):
            setattr(new, name, getattr(self, name))
        if self._learnt is not None:
            new._excursions = None
            new._estimator = RiseEstimator(self._learnt.response, self._learnt.normal)
            new._meet_model()
        return new

    # --- state -------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """The whole state, JSON-able, for `load` with the same settings."""
        figures, normal, history = self.figures, self.normal, self._history
        learnt, excursions = self._learnt, self._excursions
        return super().save() | {
            "version": STATE_VERSION,
            "figures": None if figures is None else asdict(figures),
            "windows": self._windows.save(),
            "response": self.response.save(),
            "normal": None if normal is None else normal.save(),
            "learnt": None if learnt is None else learnt.save(),
            "history": None if history is None else history.save(),
            "above": self._above.save(),
            "below": self._below.save(),
            "swings": None if excursions is None else excursions.save(),
            "still": self._still.save(),
            "follower": self._estimator.save(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take over what an observer of the same settings has saved.

        ValueError when the state is of another version.
        """
        if state.get("version") != STATE_VERSION:
            raise ValueError(
                f"saved state is of version {state.get('version')}, not {STATE_VERSION}"
            )
        super().restore(state)
        figures, normal, history = state["figures"], state["normal"], state["history"]
        learnt, excursions = state["learnt"], state["swings"]
        self._figures, self._judged = None if figures is None else Figures(**figures), None
        self._windows = WindowGatherer.load(state["windows"])
        self._learnt = None if learnt is None else Learnt.load(learnt)
        self._history = None if history is None else History.load(history)
        self._above = ChangeTest.load(state["above"])
        self._below = ChangeTest.load(state["below"])
        self._excursions = None if excursions is None else LoadExcursions.load(excursions)
        if "still" in state:
            self._still = StuckWatch.load(state["still"])
        self._estimator = RiseEstimator(
            Response.load(state["response"]), None if normal is None else NormalRise.load(normal)
        )
        self._estimator.restore(state["follower"])
        self._meet_model()

    @classmethod
    def load(cls, settings: DeviceSettings, state: dict[str, Any]) -> DeviceObserver:
        """The observer as it was at `save`."""
        new = cls(settings)
        new.restore(state)
        return new
