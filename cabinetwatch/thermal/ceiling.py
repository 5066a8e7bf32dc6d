"""The ceiling that the tests hold: how slowly it may relax, and how far ordinary life passes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import mean, stdev
from typing import TypeAlias

from cabinetwatch.thermal.bounds import check, root
from cabinetwatch.thermal.detection import DOUBT_SIGMAS
from cabinetwatch.thermal.envelope import Envelope
from cabinetwatch.thermal.expected import Expectation
from cabinetwatch.thermal.identify import Record
from cabinetwatch.thermal.model import OFF_SHARE, SETTLE_TAUS, NormalRise, Response

_FEWEST_A_DAY = 50
"""Fewer rows than these say nothing of a day; a reading every ten minutes makes 144."""

_YEARLY_SIGMAS = 3.0
"""The highest of a year lies about so many deviations of the days' highest above their mean: loads
have limits, so less than the extremes of a normal distribution would."""

_SLOWEST_CEILING_S = 2000.0
"""Our choice: slower than this, a first load within the band would count as a climb out of it."""

_MOST_EXCESS = 0.04
"""A slower ceiling is no gain where ordinary life passes it by more than this share of the rise."""

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
    """What the highest of a year may be, from the highest of each of some days; 0 for too few.

    Raises:
        ValueError: a figure that can't be reckoned with.
    """
    if len(days) < 2:
        return 0.0
    check(*days)
    return mean(days) + _YEARLY_SIGMAS * stdev(days)


def with_ceiling(
    record: Record,
    response: Response,
    normal: NormalRise,
    deviation: Sequence[float],
    drivers: Drivers,
) -> NormalRise:
    """The slowest ceiling that the record hardly passes, and how far that is.

    The time constant learnt may be that of a quick part of the device; a ceiling that relaxes so
    fast explains nearly all that a stalled fan does.
    """
    tau_s = response.tau_s
    excess_k = _excess_k(record, response, normal, deviation, drivers, tau_s)
    best = replace(normal, excess_k=excess_k, ceiling_tau_s=tau_s)
    while tau_s <= 0.5 * _SLOWEST_CEILING_S:
        tau_s *= 2.0
        excess_k = _excess_k(record, response, normal, deviation, drivers, tau_s)
        if excess_k > max(best.excess_k, _MOST_EXCESS * normal.rise_k):
            break
        best = replace(normal, excess_k=excess_k, ceiling_tau_s=tau_s)
    return best


def _excess_k(
    record: Record,
    response: Response,
    normal: NormalRise,
    deviation: Sequence[float],
    drivers: Drivers,
    tau_s: float,
) -> float:
    """Furthest that the record, taken as sound, passes the ceiling that the tests will hold.

    The test is run over the record itself: loads and doors that the response can't explain show
    here, and then raise nothing later.
    """
    envelope = Envelope()
    expected = Expectation(response)
    with_law = normal.power_w is not None
    passed: list[float] = []
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
            envelope.reset(1000 * end_s)
            passed.append(0.0)
            continue
        goal_k = normal.highest_k(power_w) - usual_k
        low_k = normal.lowest_k(power_w) - usual_k if with_law else 0.0
        doubt_k = DOUBT_SIGMAS * root(expected.doubt_k2())
        envelope.advance(1000 * end_s, length_s, value, (goal_k, low_k), doubt_k, 1.0, tau_s)
        passed.append(max(0.0, envelope.beyond_k))
    days_k = daily_figures(record, passed, lambda day: sorted(day)[-2])
    return max(max(days_k, default=0.0), yearly(days_k))


def _is_off(normal: NormalRise, power_w: float | None, rise_k: float) -> bool:
    """Whether the device is off, or as cold as if it were: nothing is judged then."""
    if normal.power_w is None or power_w is None:
        return rise_k < normal.cold_below_k
    return power_w < OFF_SHARE * normal.power_w
