"""Learns a device's normal rise, response and doubts, and the bound that the tests hold.

`learn` fits the record of the first days (`identification`), sees how far that is off and by what,
and runs the bound of the tests over the record itself: loads and doors that the response can't
explain show there, and then raise nothing later.

A rise commissioned without power is that of one load. A heavier one looks like lost cooling at
first, and is told so; but unlike a stalled fan it goes by itself. How high it came is therefore
held from then on to be within what the device does (`LoadExcursions`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from math import exp
from statistics import mean, stdev
from typing import Any, TypeAlias

from cabinetwatch.thermal.detection import DOUBT_SIGMAS, BoundTest
from cabinetwatch.thermal.identification import (
    POLES_S,
    History,
    Record,
    Spectrum,
    decay_tau_s,
    fit_ambient_only,
    fit_with_power,
    robust_sigma,
)
from cabinetwatch.thermal.response import (
    DEFAULT_TAU_S,
    Doubts,
    Expectation,
    Response,
    unlearnt_response,
)
from cabinetwatch.thermal.rise import (
    OFF_SHARE,
    SETTLE_TAUS,
    NormalRise,
)
from cabinetwatch.thermal.windows import DeviceSettings, Kept, check, gram, inner, nonnegative, root

_SMALLEST_SHARE = 0.02
_DOUBT_FLOOR = 0.03**2
_DOUBT_LARGEST = 0.3**2
"""A share is between 0 and 1; a driver that hardly moved must not be blamed for everything."""

_DOUBT_MARGIN = 1.5
_GUARD_SMALLEST, _GUARD_LARGEST = 0.15, 0.35
_LOWEST_OFFSET, _HIGHEST_OFFSET = 0.3, 0.6
"""Shares of a commissioned rise that may be there without load. Above: a warm neighbour, load that
the meter misses, a fan that slows as it gets cooler."""

_MOST_RISE_K = 1000.0
"""A record of faulty sensors may show more; no device has it."""

_MOST_LOAD = 2.5
"""Without power, a commissioned rise is widened by the load seen in learning up to this factor."""

_TOP_QUANTILE = 0.999
_MOST_UNSEEN = 1.4
"""Without power, unseen loads widen the band no further than so many times the usual rise (its
guard comes on top of it), or a stalled fan would hide in it."""

_VARIED_POWER = 1.15
"""Power is taken as varying when its 95th percentile is this many times its 5th."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the record told, and how much that is worth.

    `confidence` is "good", "fair" or "poor"; `remarks` are sentences for the user.
    """

    response: Response
    normal: NormalRise
    noise_k: float
    days: float
    lowest_power_w: float | None
    highest_power_w: float | None
    confidence: str
    remarks: tuple[str, ...]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        state = asdict(self)
        state["response"] = self.response.save()
        state["normal"] = self.normal.save()
        return state

    @classmethod
    def load(cls, state: dict[str, Any]) -> Learnt:
        """The result as it was at `save`."""
        fields = dict(state)
        fields["response"] = Response.load(state["response"])
        fields["normal"] = NormalRise.load(state["normal"])
        fields["remarks"] = tuple(state["remarks"])
        return cls(**fields)


def learn(
    history: History,
    has_power: bool,
    given_tau_s: float | None = None,
    given_normal: NormalRise | None = None,
    off_below_w: float | None = None,
) -> Learnt | None:
    """Learn from the record; None when it is too short, or the device was off all the time."""
    if len(history) < 300:
        return None
    record = Record(history)
    known_power = [p for p in record.pick(record.power) if p >= 0.0]
    if sum(record.sound) < 200:
        return None
    with_power = has_power and len(known_power) > 0.8 * sum(record.sound)
    if with_power:
        return _learn_with_power(record, given_tau_s, given_normal, off_below_w)
    return _learn_without_power(record, given_tau_s, given_normal)


def _learn_with_power(
    record: Record,
    given_tau_s: float | None,
    given_normal: NormalRise | None,
    off_below_w: float | None,
) -> Learnt | None:
    remarks: list[str] = []
    power = sorted(p for p in record.pick(record.power) if p > (off_below_w or 0.0))
    if len(power) < 100:
        return None
    ordered = sorted(record.pick(record.power))
    low_w, high_w = quantile(ordered, 0.05), quantile(ordered, 0.95)
    varied = high_w > _VARIED_POWER * max(low_w, 1e-9)
    fit = fit_with_power(record, given_tau_s or DEFAULT_TAU_S, varied)
    tau = given_tau_s
    if tau is None and varied and fit.gain_k > 5.0 * fit.residual_k:
        tau = fit.load.mean_tau_s()
    known = tau is not None
    if tau is None:
        tau = fit.ambient.mean_tau_s() or DEFAULT_TAU_S
        remarks.append("The load hardly changed: the time constant is a safe default.")
    if fit.gain_k <= 0.0:
        remarks.append("The temperature doesn't follow the power.")
    normal = NormalRise(
        rise_k=min(max(fit.gain_k, 0.1), _MOST_RISE_K),
        power_w=fit.reference_w,
        exponent=fit.exponent,
        low_exponent=fit.exponent if varied else 0.6,
        high_exponent=fit.exponent if varied else 1.0,
        offset_k=min(max(fit.offset_k, -_MOST_RISE_K), _MOST_RISE_K),
        highest_power_w=power[-1],
    )
    response = _response(tau, known, fit.ambient, fit.load if varied else None)
    deviation, drivers = _deviations(record, response, normal)
    doubts = _doubts(deviation, drivers)
    guard = _guard(record, deviation, normal, tau)
    response = replace(response, doubts=doubts)
    normal = replace(_anchored(normal, given_normal, varied), guard=guard)
    normal = with_bound(record, response, normal, deviation, drivers)
    noise_k = robust_sigma(deviation)
    confidence = _confidence(noise_k / max(fit.gain_k, 0.1), varied)
    days = (record.end_s[-1] - record.end_s[0]) / 86_400.0
    return Learnt(response, normal, noise_k, days, power[0], power[-1], confidence, tuple(remarks))


def _anchored(learnt: NormalRise, given: NormalRise | None, varied: bool) -> NormalRise:
    """The given rise at its power; how it changes with the load, which nobody gave, as learnt."""
    if given is None or given.power_w is None:
        return given or learnt
    offset_k = learnt.offset_k
    if not varied or not -_LOWEST_OFFSET <= offset_k / given.rise_k <= _HIGHEST_OFFSET:
        return given
    return replace(learnt, rise_k=given.rise_k - offset_k, power_w=given.power_w, offset_k=offset_k)


def _learn_without_power(
    record: Record, given_tau_s: float | None, given_normal: NormalRise | None
) -> Learnt | None:
    remarks: list[str] = []
    guess = given_tau_s or DEFAULT_TAU_S
    ambient, sigma = fit_ambient_only(record, guess)
    tau = given_tau_s
    known = tau is not None
    first = _response(guess, False, ambient, None)
    rises, _ = _deviations(record, first, None)
    if tau is None:
        tau = decay_tau_s(record.end_s, rises, sigma)
        known = tau is not None
    if tau is None:
        tau = guess
        remarks.append("Too quiet to show a time constant: it is a safe default.")
    elif given_tau_s is None:
        ambient, sigma = fit_ambient_only(record, tau)
    response = _response(tau, known, ambient, None)
    rises, drivers = _deviations(record, response, None)
    response = replace(response, doubts=_change_doubts(rises, drivers))
    ordered = sorted(r for r, ok in zip(rises, record.sound, strict=True) if ok)
    top = quantile(ordered, _TOP_QUANTILE)
    off_rise_k = _off_rise_k(ordered, top)
    running = [r for r in ordered if off_rise_k is None or r > off_rise_k]
    if not running:
        return None
    low_k = max(0.0, quantile(running, 0.02))
    days_k = daily_figures(record, rises, lambda day: quantile(sorted(day), _TOP_QUANTILE))
    unseen_k = min(yearly(days_k), _MOST_UNSEEN * quantile(running, 0.5))
    top = max(top, unseen_k)
    top = min(max(top, 0.1), _MOST_RISE_K)
    normal = NormalRise(top, low_k=low_k, guard=_GUARD_SMALLEST, off_rise_k=off_rise_k)
    if given_normal is not None:
        # The load at commissioning needn't have been the highest.
        highest_k = max(given_normal.rise_k, min(top, _MOST_LOAD * given_normal.rise_k))
        low_k = min(low_k, given_normal.rise_k)
        normal = replace(normal, rise_k=highest_k, low_k=low_k)
    normal = with_bound(record, response, normal, rises, drivers)
    confidence = _confidence(sigma / max(top, 0.1), known)
    days = (record.end_s[-1] - record.end_s[0]) / 86_400.0
    return Learnt(response, normal, sigma, days, None, None, confidence, tuple(remarks))


def quantile(ordered: Sequence[float], fraction: float) -> float:
    """Value at `fraction` of a sorted sequence; ValueError for an empty one."""
    if not ordered or not 0.0 <= fraction <= 1.0:
        raise ValueError("a quantile is of some values, from 0 to 1")
    value = ordered[round(fraction * (len(ordered) - 1))]
    check(ordered[0], value, ordered[-1])
    return value


def _confidence(relative_noise: float, informed: bool) -> str:
    if not informed or relative_noise > 0.15:
        return "poor"
    return "good" if relative_noise < 0.05 else "fair"


def _response(tau_s: float, known: bool, ambient: Spectrum, load: Spectrum | None) -> Response:
    at_once, poles, shares = _pruned(ambient)
    if load is None or not load.shares:
        unknown = unlearnt_response(tau_s)
        load_at_once, load_poles = unknown.load_at_once, unknown.load_poles_s
        load_shares = unknown.load_shares
    else:
        load_at_once, load_poles, load_shares = _pruned(load)
    return Response(tau_s, known, at_once, poles, shares, load_at_once, load_poles, load_shares)


def _pruned(spectrum: Spectrum) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
    kept = [(p, s) for p, s in zip(POLES_S, spectrum.shares, strict=True) if s >= _SMALLEST_SHARE]
    at_once = spectrum.at_once if spectrum.at_once >= _SMALLEST_SHARE else 0.0
    total = at_once + sum(s for _, s in kept)
    if total <= 0.0:
        return 1.0, (), ()
    return at_once / total, tuple(p for p, _ in kept), tuple(s / total for _, s in kept)


def _deviations(
    record: Record, response: Response, normal: NormalRise | None
) -> tuple[list[float], Drivers]:
    """Temperature minus what the response expects, and what drives its doubts, for every row."""
    expected = Expectation(response)
    deviation: list[float] = []
    drivers: Drivers = ([], [], [], [])
    for temperature in _advanced(expected, record, normal):
        deviation.append(temperature - expected.felt_ambient_c - expected.load_rise_k)
        for column, value in zip(drivers, expected.drivers, strict=True):
            column.append(value)
    return deviation, drivers


def warm_expectation(expected: Expectation, history: History, normal: NormalRise) -> None:
    """Bring a new expectation to the end of the record."""
    with_power, record = normal.power_w is not None, Record(history)
    first_s = record.end_s[-1] - _FORGOTTEN_TAUS * expected.slowest_s
    first = bisect_left(record.end_s, first_s)
    for _ in _advanced(expected, record, normal if with_power else None, first):
        pass


_FORGOTTEN_TAUS = 40.0
"""After so many time constants a float holds nothing of what was before."""


def _advanced(
    expected: Expectation, record: Record, normal: NormalRise | None, first: int = 0
) -> Iterator[float]:
    """Advance the expectation row by row, from the first on; yields each row's temperature."""
    columns = (
        record.lengths_s,
        record.temperature,
        record.ambient,
        record.ambient_mean,
        record.power,
        record.power_mean,
    )
    rows = zip(*(column[first:] for column in columns), strict=True)
    for length_s, temperature, ambient, ambient_mean, power, power_mean in rows:
        goal_now = goal = 0.0
        if normal is not None:
            goal_now, goal = normal.at(max(power, 0.0)), normal.at(max(power_mean, 0.0))
        expected.advance(round(1000 * length_s), ambient, ambient_mean, goal_now, goal)
        yield temperature


def _doubts(deviation: Sequence[float], drivers: Drivers) -> Doubts:
    """How the squared deviation grows with each driver squared."""
    columns = [[v * v for v in column] for column in drivers]
    columns.append([1.0] * len(deviation))
    squares = [v * v for v in deviation]
    x = nonnegative(gram(columns, columns), [inner(c, squares) for c in columns])
    return Doubts(*(min(_DOUBT_LARGEST, max(_DOUBT_FLOOR, _DOUBT_MARGIN * v)) for v in x[:4]))


def _change_doubts(rises: Sequence[float], drivers: Drivers, lag: int = 5) -> Doubts:
    """The same from changes over `lag` rows, clipped so that load steps don't count as doubt."""
    changes = [b - a for a, b in zip(rises[:-lag], rises[lag:], strict=True)]
    clip = 6.0 * max(robust_sigma(changes), 0.02)
    squares = [min(abs(v), clip) ** 2 for v in changes]
    columns = [
        [(b - a) ** 2 for a, b in zip(column[:-lag], column[lag:], strict=True)]
        for column in drivers[:2]
    ]
    columns.append([1.0] * len(squares))
    x = nonnegative(gram(columns, columns), [inner(c, squares) for c in columns])
    fast, slow = (min(0.04, max(_DOUBT_FLOOR, _DOUBT_MARGIN * v)) for v in x[:2])
    return Doubts(fast, max(slow, 0.05**2))


def _guard(record: Record, deviation: Sequence[float], normal: NormalRise, tau_s: float) -> float:
    """Allowance from the largest slow deviations seen: smoothed over a time constant, relative."""
    smooth = 0.0
    relative: list[float] = []
    rows = zip(record.lengths_s, deviation, record.power_mean, record.sound, strict=True)
    for length_s, value, power, ok in rows:
        smooth += (1.0 - exp(-length_s / tau_s)) * (value - smooth)
        goal = normal.at(max(power, 0.0))
        if ok and goal > 0.3 * normal.rise_k:
            relative.append(smooth / goal)
    if not relative:
        return _GUARD_LARGEST
    top = quantile(sorted(relative), 0.99)
    return min(_GUARD_LARGEST, max(_GUARD_SMALLEST, top + 0.08))


def _off_rise_k(ordered: Sequence[float], top_k: float) -> float | None:
    """Rise below which the device is off, when the record shows a cluster near zero and a gap."""
    limit = max(0.5, 0.12 * top_k)
    below = sum(1 for r in ordered if r < limit)
    between = sum(1 for r in ordered if limit <= r < 2.0 * limit)
    if below < 0.01 * len(ordered) or between > below:
        return None
    return limit


_FEWEST_A_DAY = 50
"""Fewer rows than these say nothing of a day; a reading every ten minutes makes 144."""

_YEARLY_SIGMAS = (6.41, 4.31, 3.58, 3.22, 3.0)
"""The highest of a year lies about 3 deviations of a week's daily highest above their mean: loads
have limits, so less than the extremes of a normal distribution would. Of three to six days mean and
deviation are known worse: the same tail by Student's t with n - 1 degrees of freedom, times the
square root of 1 + 1/n. Fewer than three days are taken as three."""

_FEWEST_DAYS = 3

_SLOWEST_BOUND_S = 2000.0
"""Our choice: slower than this, a first load within the band would count as a climb out of it."""

_MOST_EXCESS = 0.02
"""A slower bound is no gain where ordinary life passes it by more than this share of the rise: of
20 simulated devices without power twice as much took 6 loads for stalls in 18 days, this 2; stalls
were found as soon, halves of one a minute later."""

Drivers: TypeAlias = tuple[list[float], list[float], list[float], list[float]]


def daily_figures(
    record: Record, values: Sequence[float], figure: Callable[[list[float]], float]
) -> list[float]:
    """A figure of each day's sound values."""
    days: dict[int, list[float]] = {}
    for end_s, value, ok in zip(record.end_s, values, record.sound, strict=True):
        if ok:
            days.setdefault(end_s // 86_400, []).append(value)
    return [figure(day) for day in days.values() if len(day) >= _FEWEST_A_DAY]


def yearly(days: Sequence[float]) -> float:
    """What the highest of a year may be, from the highest of each of some days; 0 for too few."""
    if len(days) < 2:
        return 0.0
    check(*days)
    return mean(days) + yearly_sigmas(len(days)) * stdev(days)


def yearly_sigmas(days: int) -> float:
    """How many deviations of some days' highest above their mean the highest of a year lies."""
    most = len(_YEARLY_SIGMAS) - 1
    return _YEARLY_SIGMAS[min(max(days - _FEWEST_DAYS, 0), most)]


def with_bound(
    record: Record,
    response: Response,
    normal: NormalRise,
    deviation: Sequence[float],
    drivers: Drivers,
) -> NormalRise:
    """The slowest bound that the record hardly passes, and how far that is.

    The time constant learnt may be that of a quick part of the device; a bound that relaxes so
    fast explains nearly all that a stalled fan does.
    """
    tau_s = response.tau_s
    rows = _bound_rows(record, response, normal, deviation, drivers)
    excess_k = _excess_k(record, rows, tau_s)
    best = replace(normal, excess_k=excess_k, bound_tau_s=tau_s)
    while tau_s <= 0.5 * _SLOWEST_BOUND_S:
        tau_s *= 2.0
        excess_k = _excess_k(record, rows, tau_s)
        if excess_k > max(best.excess_k, _MOST_EXCESS * normal.rise_k):
            break
        best = replace(normal, excess_k=excess_k, bound_tau_s=tau_s)
    return best


BoundRow: TypeAlias = tuple[int, float, float, tuple[float, float] | None, float]
"""Of a row of the record: its end (ms), length (s), deviation, the extreme deviations that are
normal then (None while the device is off or just on), and the deviation's doubt (K)."""


def _bound_rows(
    record: Record,
    response: Response,
    normal: NormalRise,
    deviation: Sequence[float],
    drivers: Drivers,
) -> list[BoundRow]:
    """What a bound is shown of the record."""
    expected = Expectation(response)
    with_law = normal.power_w is not None
    shown: list[BoundRow] = []
    ready_s = 0.0
    rows = zip(
        record.end_s,
        record.lengths_s,
        deviation,
        record.power,
        zip(*drivers, strict=True),
        strict=True,
    )
    for end_s, length_s, value, power, expected.drivers in rows:
        power_w = max(power, 0.0) if with_law else None
        usual_k = normal.at(power_w) if with_law else 0.0
        if _is_off(normal, power_w, value):
            ready_s = end_s + SETTLE_TAUS * response.tau_s
        if end_s < ready_s:
            shown.append((1000 * end_s, length_s, value, None, 0.0))
            continue
        goal_k = normal.highest_k(power_w) - usual_k
        low_k = normal.lowest_k(power_w) - usual_k if with_law else 0.0
        doubt_k = DOUBT_SIGMAS * root(expected.doubt_k2())
        shown.append((1000 * end_s, length_s, value, (goal_k, low_k), doubt_k))
    return shown


def _excess_k(record: Record, rows: Sequence[BoundRow], tau_s: float) -> float:
    """Furthest that the record, taken as sound, passes the bound that the tests will hold."""
    bound = BoundTest()
    passed: list[float] = []
    for end_ms, length_s, value, goals_k, doubt_k in rows:
        if goals_k is None:
            bound.reset(end_ms)
            passed.append(0.0)
            continue
        bound.advance(end_ms, length_s, value, goals_k, doubt_k, 1.0, tau_s)
        passed.append(max(0.0, bound.beyond_k))
    days_k = daily_figures(record, passed, lambda day: sorted(day)[-2])
    return max(max(days_k, default=0.0), yearly(days_k))


def _is_off(normal: NormalRise, power_w: float | None, rise_k: float) -> bool:
    """Whether the device is off, or as cold as if it were: nothing is judged then."""
    if normal.power_w is None or power_w is None:
        return rise_k < normal.cold_below_k
    return power_w < OFF_SHARE * normal.power_w


_GONE = 0.5
"""An excursion is over when it has lost this share of its height."""

_LEAST = 0.1
"""Excursions lower than this share of the commissioned rise are none."""

HIGHEST = 1.4
"""No more than this many times the commissioned rise is held for load (the band's guard comes on
top of it), or a stalled fan would hide in it."""


@dataclass(slots=True)
class LoadExcursions(Kept):
    """The highest excursion that has gone by itself, `top_k`, over the commissioned `rise_k`."""

    kept = ("rise_k", "top_k", "peak_k")

    rise_k: float = 0.0
    top_k: float = 0.0
    peak_k: float = 0.0

    def take(self, level_k: float) -> bool:
        """Take the rise of now; True when it has just come back from higher than was known."""
        self.peak_k = max(self.peak_k, level_k)
        height_k = self.peak_k - self.rise_k
        if height_k < _LEAST * self.rise_k or level_k > self.peak_k - _GONE * height_k:
            return False
        peak_k, self.peak_k = min(self.peak_k, HIGHEST * self.rise_k), 0.0
        known = peak_k <= self.top_k
        self.top_k = max(self.top_k, peak_k)
        return not known


SMALLEST_MISSED_RISE_K = 2.0
"""A normal rise below this can't be missed: the device may as well be off."""

_UNSEEN_LOADS = 0.3
"""Our choice: a rise commissioned without power says nothing of other loads, which are allowed so
much more until the device's first days have shown what they do; a few days don't show them all.
More would hide half a stall."""

_SEEN_GUARD = 0.15
"""Allowance on top of what the load was seen to do."""

_EXCURSION_EXCESS = 0.25
"""Our choice: by this share of what a load adds it may pass what a response explains that isn't
learnt yet."""


_FLATTEST_LAW = 0.35
"""What a rise commissioned at one power allows at lower ones until days have shown its law: two
thirds of the load bring 0.87 of the rise, as if about 0.6 of it (`_HIGHEST_OFFSET`) were there
without load."""


def commissioned(settings: DeviceSettings) -> NormalRise | None:
    """The normal rise that was given; None when it is to be learnt."""
    if settings.normal_rise_k is None:
        return None
    power_w = settings.normal_power_w if settings.has_power else None
    if power_w is None:
        return NormalRise(settings.normal_rise_k, guard=_UNSEEN_LOADS)
    return NormalRise(settings.normal_rise_k, power_w, low_exponent=_FLATTEST_LAW)


def unseen_excursions(settings: DeviceSettings) -> LoadExcursions | None:
    """The excursions to be watched until something is learnt; None where power tells the load."""
    if settings.has_power or settings.normal_rise_k is None:
        return None
    return LoadExcursions(settings.normal_rise_k)


def with_excursions(normal: NormalRise, excursions: LoadExcursions) -> NormalRise:
    """The commissioned band, widened by a rise that went by itself: that is what the load does."""
    rise_k = max(excursions.rise_k * (1.0 + _UNSEEN_LOADS), excursions.top_k * (1.0 + _SEEN_GUARD))
    return replace(
        normal,
        rise_k=rise_k / (1.0 + _UNSEEN_LOADS),
        excess_k=_EXCURSION_EXCESS * (excursions.top_k - excursions.rise_k),
    )


def provisional(learnt: Learnt, settings: DeviceSettings) -> Learnt | None:
    """What some days may teach: they haven't shown all that a week does, or no load at all.

    The allowance for what passes the band is carried from as many days as there were, as the
    highest of a year is. Without power it leaves room for loads unseen, and the bound relaxes no
    slower than `_SLOWEST_BOUND_S`: what lasts may be the load's memory, not the device's.
    """
    normal = learnt.normal
    few = yearly_sigmas(round(learnt.days)) / _YEARLY_SIGMAS[-1]
    guard = max(normal.guard, min(few * normal.guard, _GUARD_LARGEST))
    if settings.has_power or settings.normal_rise_k is not None:
        return replace(learnt, normal=replace(normal, guard=guard))
    if normal.rise_k < SMALLEST_MISSED_RISE_K:
        return None
    bound_tau_s = min(normal.bound_tau_s or learnt.response.tau_s, _SLOWEST_BOUND_S)
    widened = replace(normal, guard=max(guard, _UNSEEN_LOADS), bound_tau_s=bound_tau_s)
    return replace(learnt, normal=widened)
