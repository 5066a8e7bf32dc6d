"""Alarms that come and go: which chatter, and what would quieten them. Pure."""

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from cabinetwatch.notify.phrases import predicate
from cabinetwatch.report.summary_figures import Chatter
from cabinetwatch.report.summary_words import times
from cabinetwatch.times import describe_duration
from cabinetwatch.watch.transition import AlarmState, Transition

Key = tuple[str, str]
"""A subject and a condition."""

MANY_IN_AN_HOUR = 3
"""So many raises of one alarm within an hour are chatter (common practice, no source; control
rooms say three in a minute, which alarms with delays of a minute can't reach)."""

_HOUR_MS = 3_600_000
_BRIDGED = 0.9
_ROUND_S = (60, 120, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200)
_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}


class PauseOf:
    """The pauses of each alarm between standing and standing again, in seconds."""

    def __init__(self, transitions: Iterable[Transition]) -> None:
        self._pauses: dict[Key, list[float]] = defaultdict(list)
        self._fleeting: set[Key] = set()
        over: dict[Key, int] = {}
        since: dict[Key, int] = {}
        for each in transitions:
            key = each.subject, each.condition
            if each.is_raise:
                since[key] = each.t
                if key in over:
                    self._pauses[key].append((each.t - over.pop(key)) / 1000)
            elif each.state not in _STANDS and each.previous in _STANDS:
                over[key] = each.t
                if each.t == since.get(key):
                    self._fleeting.add(key)

    def of(self, key: Key) -> list[float]:
        """Give those of an alarm, in order of time."""
        return self._pauses.get(key, [])

    def is_momentary(self, key: Key) -> bool:
        """Whether the alarm is over in the instant of its raise, so that no delay could hold it."""
        return key in self._fleeting


def most_within(instants: Sequence[int], span_ms: int) -> int:
    """Give the most instants, in order, that lie within less than a span.

    >>> most_within([0, 5, 9, 10, 30], 10)
    3
    """
    most = 0
    for index, last in enumerate(instants):
        most = max(most, index + 1 - bisect_left(instants, last - span_ms + 1))
    return most


def chattering(
    raises: Sequence[Transition],
    pauses: PauseOf,
    names: Mapping[str, str],
    off_delay_s: Callable[[str, str], float | None],
) -> list[Chatter]:
    """Give the alarms that chatter, the busiest first."""
    by_key: dict[Key, list[Transition]] = defaultdict(list)
    for each in raises:
        by_key[each.subject, each.condition].append(each)
    found = []
    for key, told in sorted(by_key.items(), key=lambda item: -len(item[1])):
        most = most_within([each.utc_ms for each in told], _HOUR_MS)
        if most >= MANY_IN_AN_HOUR:
            found.append(
                Chatter(
                    name=names.get(key[0], key[0]),
                    says=predicate(told[-1]),
                    condition=key[1],
                    raises=len(told),
                    most_in_an_hour=most,
                    recommendation=_recommendation(key, told, pauses, off_delay_s),
                )
            )
    return found


def _recommendation(
    key: Key,
    told: Sequence[Transition],
    pauses: PauseOf,
    off_delay_s: Callable[[str, str], float | None],
) -> str:
    """Say what would quieten an alarm, and what to see to first."""
    now_s = off_delay_s(key[1], key[0])
    if now_s is None or pauses.is_momentary(key) or not pauses.of(key):
        return told[-1].response
    delay_s = quieter_off_delay_s(pauses.of(key), now_s)
    left = 1 + sum(pause_s > delay_s - now_s for pause_s in pauses.of(key))
    return (
        f"First see whether it sits close to its limit for a reason. If it may, off_delay_s ="
        f" {delay_s} in its alarm table ({key[1]}, now {now_s:zg}) bridges pauses of up to"
        f" {describe_duration(delay_s)}: it would have been raised {times(left)} in place of"
        f" {times(len(told))}. A wider deadband, where it has one, does the same for a value that"
        " swings around the limit."
    )


def quieter_off_delay_s(pauses_s: Sequence[float], now_s: float) -> int:
    """Give a round off-delay that bridges nine in ten of the pauses that are shorter than an hour.

    A pause begins when the present off-delay has ended, so that comes on top.
    """
    short = sorted(pause_s for pause_s in pauses_s if pause_s * 1000 <= _HOUR_MS)
    if not short:
        return math.ceil(now_s)
    needed_s = now_s + short[math.ceil(_BRIDGED * len(short)) - 1]
    return next((each for each in _ROUND_S if each >= needed_s), math.ceil(needed_s))
