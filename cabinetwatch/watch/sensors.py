"""What the engine knows of one sensor: its present value, and whether that can be believed."""

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from cabinetwatch.config.model import Config
from cabinetwatch.config.values import POSSIBLE, conversion
from cabinetwatch.text import rounded, to_rfc3339
from cabinetwatch.thermal.sensing import (
    FLICKER_STEPS,
    MANNERS,
    MOST_FLICKER_K,
    StuckWatch,
    ValueFilter,
    flicker_k,
)
from cabinetwatch.thermal.windows import SMALLEST, Resolution
from cabinetwatch.watch.events import LONGEST_EXCERPT

SETTLE_AFTER_BOOT_MS = 300_000
"""Broker, radio and nodes come up slowly after a power cut: no silence before this age of boot."""


POWER_HOLD_MS = 600_000
"""How long the last known load holds when a power sensor is silent."""

LONG_GAP = 1.5
"""A sensor that was quiet for more of its intervals than this has lost a message, or is slower."""

MOST_GAPS = 20
LEAST_GAPS = 3
"""How many of its long gaps are kept, and how many it takes to say that it is slower: our choice.
"""


@dataclass(slots=True)
class Unheard:
    """What came of a sensor since the start and was not judged: the journal tells of it."""

    late: int = 0
    late_ms: int = 0
    """The greatest lateness."""
    late_t: int | None = None
    """When the last was told; so `unread_t`."""
    unreadable: int = 0
    """Messages in a row: since a reading that could be judged."""
    problem: str = ""
    unread_t: int | None = None

    def note(self, t: int, data: Mapping[str, Any], heard_t: int | None) -> None:
        """Take what was counted until `t`, the sensor having been heard last at `heard_t`."""
        late, unreadable = int(data.get("late", 0)), int(data.get("unreadable", 0))
        late_ms, problem = int(data.get("late_ms", 0)), str(data.get("problem", ""))
        if late > 0:
            self.late += late
            self.late_ms = max(self.late_ms, late_ms)
            self.late_t = t
        if unreadable > 0:
            fresh = self.unread_t is None or (heard_t is not None and heard_t > self.unread_t)
            self.unreadable = unreadable if fresh else self.unreadable + unreadable
            self.problem, self.unread_t = problem[:LONGEST_EXCERPT], t


class SensorView:
    """The present of one sensor.

    `value` is the last known value (SI, offset applied), NaN before the first. `good` says that it
    is live and fresh: heard within `silence_ms` and without a fault; only then is it judged.
    `silent` says that it has been missing for so long, on a watch that was online, that somebody
    should hear of it; `implausible` and `stuck` that what it says can't be true. By their own time
    `last_live_t` is the last reading, and `taken_t` the last that was taken as true; `heard_t` is
    when the last was judged, up to the lateness later: silence counts from there (all watch ms).
    """

    def __init__(self, sensor_id: str, site: Config, rank: int) -> None:
        config = site.sensors[sensor_id]
        self.id = sensor_id
        self.name = site.name_of(sensor_id)
        self.quantity = config.quantity
        self.offset = config.offset
        interval_s = config.interval_s
        self.silence_ms: int | None = None
        """How long it may be missing; None for one that speaks only when it changes."""
        self.long_gap_ms = math.inf
        if interval_s is not None:
            self.silence_ms = round(interval_s * config.silent_after * 1000)
            self.long_gap_ms = LONG_GAP * 1000 * interval_s
        self.value = math.nan
        self.t = 0
        self.last_live_t: int | None = None
        self.taken_t: int | None = None
        self.heard_t: int | None = None
        self.good = False
        self.silent = False
        self.implausible = False
        self.stuck = False
        self.value_filter = value_filter(sensor_id, site)
        self.wild_value: float | None = None
        """The last value that was set aside; None when it was no number."""
        self.frozen: FrozenWatch | None = None
        self.gaps: deque[tuple[int, int]] = deque(maxlen=MOST_GAPS)
        """The last long gaps between two readings on a watch that listened: end and length (ms)."""
        self.unheard = Unheard()
        # Silence first: what is judged because a value is stale must know of it.
        self.silence = SilenceDeadline(self, 2 * rank)
        self.stale = StaleDeadline(self, 2 * rank + 1)
        self.hold = PowerHold(self, 2 * len(site.sensors) + rank)

    def note_gap(self, heard_t: int, now: int) -> None:
        """Keep a long gap between two readings, unless nobody listened all the while."""
        online_t = self.silence.online_t
        if online_t is not None and heard_t >= online_t:
            self.gaps.append((now, now - heard_t))

    @property
    def spoken_every_ms(self) -> int | None:
        """The longest of its last gaps, where it is mostly slower than expected; else None.

        Messages lost now and then make gaps as well; but between them it speaks as it should.
        """
        if len(self.gaps) < LEAST_GAPS or self.heard_t is None:
            return None
        first_t, first_ms = self.gaps[0]
        lengths = [length for _, length in self.gaps]
        if 2 * sum(lengths) < self.heard_t - first_t + first_ms:
            return None
        return max(lengths)

    @property
    def present(self) -> float | None:
        """The value, as long as it can be believed."""
        return self.value if self.good else None

    @property
    def known(self) -> bool:
        """Whether there is any value, however old."""
        return not math.isnan(self.value)

    @property
    def last_known(self) -> float | None:
        """The value, however old."""
        return self.value if self.known else None

    def figures(self, offset_ms: int) -> dict[str, Any]:
        """Give its present as programs read it."""
        last_t, unheard = self.last_live_t, self.unheard
        return {
            "name": self.name,
            "quantity": self.quantity,
            "value": rounded(self.last_known, 3),
            "time": None if last_t is None else to_rfc3339(last_t + offset_ms),
            "state": self._state,
            "late": {
                "since_start": unheard.late,
                "greatest_s": rounded(unheard.late_ms / 1000, 1) if unheard.late else None,
            },
        }

    @property
    def _state(self) -> str:
        for fault in ("silent", "implausible", "stuck"):
            if getattr(self, fault):
                return fault
        never = self.last_live_t is None
        return "live" if self.good else "waiting" if never else "stale"

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        silence = self.silence
        return {name: getattr(self, name) for name in _KEPT} | {
            "value": self.last_known,
            "gaps": [list(gap) for gap in self.gaps],
            "unheard": asdict(self.unheard),
            "screen": self.value_filter.save(),
            "frozen": None if self.frozen is None else self.frozen.save(),
            "online_t": silence.online_t,
            "not_before_t": silence.not_before_t,
            "counted_ms": silence.counted_ms,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state."""
        for name in _KEPT:
            setattr(self, name, state[name])
        self.value = math.nan if state["value"] is None else state["value"]
        self.gaps = deque(((t, length) for t, length in state.get("gaps", ())), MOST_GAPS)
        self.unheard = Unheard(**state.get("unheard", {}))
        if state["screen"] is not None:
            # A state of an earlier version has how steady it was here.
            self.value_filter.restore({"steady": state.get("steady", 0), **state["screen"]})
        if self.frozen is not None and state["frozen"] is not None:
            self.frozen.load({"stuck": self.stuck, **state["frozen"]})
        silence = self.silence
        silence.online_t, silence.not_before_t = state["online_t"], state["not_before_t"]
        silence.counted_ms = state.get("counted_ms", 0)


_KEPT = (
    "t", "last_live_t", "taken_t", "heard_t", "wild_value",
    "good", "silent", "implausible", "stuck",
)  # fmt: skip
"""Attributes of a sensor that are saved as they are."""


def value_filter(sensor_id: str, site: Config) -> ValueFilter:
    """Give the filter of a sensor's values.

    A leap waits for the next reading to confirm it only where there is one soon.
    """
    config = site.sensors[sensor_id]
    # As the decoder would hand them over: a code and a value then compare exactly.
    to_own_unit = conversion(config.quantity, config.unit)
    codes = () if to_own_unit is None else tuple(to_own_unit(code) for code in config.fault_codes)
    manner = MANNERS[config.quantity]
    return ValueFilter(
        *site.credible(sensor_id),
        codes,
        config.max_step_per_s or math.inf,
        spikes=not (manner.leaps and config.on_change),
        manner=manner,
        possible=POSSIBLE[config.quantity],
    )


class SensorDeadline:
    """What the deadlines of a sensor share; for the rest see `alarms.Timed`."""

    def __init__(self, sensor: SensorView, order: int) -> None:
        self.sensor = sensor
        self.order = order
        self.key = sensor.id


class StaleDeadline(SensorDeadline):
    """When the last live value becomes too old to be judged."""

    @property
    def due(self) -> int | None:
        """One silence after the last live reading; None when already stale or never heard."""
        sensor = self.sensor
        if not sensor.good or sensor.heard_t is None or sensor.silence_ms is None:
            return None
        return sensor.heard_t + sensor.silence_ms

    def lapse(self, t: int) -> None:
        """From now on nothing is judged by it."""
        self.sensor.good = False


class PowerHold(SensorDeadline):
    """Until when the last known value of a power sensor stands for the load of its devices."""

    lapsed = False

    @property
    def holds(self) -> bool:
        """Whether the value may still be used."""
        sensor = self.sensor
        return sensor.taken_t is not None and (sensor.good or not self.lapsed)

    @property
    def due(self) -> int | None:
        """When a value that has gone stale stops standing for the load."""
        sensor = self.sensor
        if sensor.quantity != "power" or sensor.good or self.lapsed or sensor.taken_t is None:
            return None
        return sensor.taken_t + POWER_HOLD_MS

    def lapse(self, t: int) -> None:
        """It no longer stands."""
        self.lapsed = True


class SilenceDeadline(SensorDeadline):
    """When a missing sensor is to be told as silent.

    `online_t` is when the watch came online, None while it is not: nothing is silent then. A
    reconnect lets the count begin anew, but for what a connection shorter than the silence itself
    has counted: else one that breaks often enough would put it off for ever.
    """

    def __init__(self, sensor: SensorView, order: int) -> None:
        super().__init__(sensor, order)
        self.online_t: int | None = None
        self.not_before_t = 0
        self.counted_ms = 0

    def online(self, since_t: int) -> None:
        """A connection made at `since_t` has held."""
        self.online_t = since_t - self.counted_ms

    def offline(self, t: int, since_t: int) -> None:
        """It is gone; what was counted in it alone is kept if it was a short one."""
        online_t, self.online_t = self.online_t, None
        if online_t is None:
            return
        silence_ms, heard_t = self.sensor.silence_ms, self.sensor.heard_t
        short = silence_ms is not None and t - since_t < silence_ms
        from_t = online_t if heard_t is None else max(heard_t, online_t)
        self.counted_ms = max(0, t - from_t) if short else 0

    def paused(self, t: int, since_t: int, to_t: int) -> None:
        """Nobody listened from `t` to `to_t`: the count begins anew, as after a reconnect."""
        if self.online_t is not None:
            self.offline(t, since_t)
            self.online(to_t)

    def stopped(self) -> None:
        """The watch does not run."""
        self.online_t, self.counted_ms = None, 0

    @property
    def due(self) -> int | None:
        """One silence after the last live reading or after the watch came online, if later."""
        sensor = self.sensor
        if self.online_t is None or sensor.silent or sensor.silence_ms is None:
            return None
        heard_t = self.online_t if sensor.heard_t is None else sensor.heard_t
        return max(max(heard_t, self.online_t) + sensor.silence_ms, self.not_before_t)

    def lapse(self, t: int) -> None:
        """It has been missing for long enough."""
        self.sensor.silent = True


LOOK_EVERY_MS = 30_000
"""A value that stands is looked at this often: the world around it moves no faster."""

SHORTEST_RUN_MS = 1_800_000
"""Our choice: gear takes minutes to answer its ambient, and coarse sensors stand for minutes."""

SMOOTHED_OVER_MS, SLOWEST_MS = 900_000, 15_000_000
"""Witnesses are smoothed over this time: gear need not answer a door open for two minutes; and one
of which the response isn't known yet may take hours (our choice)."""

LONGER_THAN_USUAL = 3.0
"""A value must stand so many times longer than it ever did while the sensor was in good order."""

EXPERIENCED_MS = 7 * 86_400_000
"""After so long it is known how long a value stands while all is well, and how far its witnesses
move meanwhile. Half the movement, but for two steps of the sensor, then tells as much (our choice;
after three days it told wrongly eight times as often as the whole, after seven hardly more often).
"""

FEW = 2
"""Of more witnesses than these one need not have moved then: its load may have made up for it."""


class Seen(NamedTuple):
    """What a witness says, under a number that changes when it is reckoned anew and may jump."""

    reckoning: int
    value: float
    smoothed_over_ms: int = SMOOTHED_OVER_MS


Witness = Callable[[], Seen | None]
"""What should have moved with the sensor; None while it can't be known."""


class FrozenWatch:
    """Watches one sensor for standing still. Call `take` for each reading.

    It is stuck when its witnesses have moved meanwhile. Without a witness it is never stuck: a plug
    that reads the same all night is not.

    Args:
        witnesses: all of them must have moved.
        moved_k: by how much, at least.
        flickers: whether the witnesses tell enough for a value that flickers by a step to stand,
            and however long it used to stand. Otherwise it must also have stood, exactly, for far
            longer than it used to; after a week of that half of `moved_k` is enough, and one
            witness of more than two need not have moved.
    """

    def __init__(
        self, witnesses: Sequence[Witness], moved_k: float, *, flickers: bool = False
    ) -> None:
        self._witnesses = witnesses
        self._watches = [StuckWatch(moved_k) for _ in witnesses]
        self._moved_k = moved_k
        self._flickers = flickers
        self.first_t: int | None = None
        self._resolution = Resolution()
        self.longest_run_ms = 0
        self.run_t: int | None = None
        self._lowest = self._highest = 0.0
        self.look_t = 0
        self.looked = False
        self.smooth: list[float | None] = [None for _ in witnesses]
        self.reckonings = [0 for _ in witnesses]
        self.since_t = 0
        """Since when the value has stood, once it is stuck."""
        self.stuck = False
        """Whether it is; it goes on over a flicker."""

    def take(self, t: int, value: float) -> bool:
        """Take a value; say whether the sensor is stuck."""
        if value != self._resolution.last:
            self._changed(t, value)
        elif t >= self.look_t and not self.stuck:
            self._look(t, value)
        return self.stuck

    def _changed(self, t: int, value: float) -> None:
        self._resolution.take(value)
        if self._flickers and self.run_t is not None and self._is_flicker(value):
            return
        if self.looked:
            self.looked, step = False, self._step
            for watch in self._watches:
                watch.end(value, step)
            self.smooth = [None for _ in self._witnesses]
        if self.run_t is not None and not self.stuck:
            self.longest_run_ms = max(self.longest_run_ms, t - self.run_t)
        self.run_t, self.stuck = t, False
        self._lowest = self._highest = value

    def _is_flicker(self, value: float) -> bool:
        """Whether a changed value is still the same but for a step up or down."""
        lowest, highest = self._lowest, self._highest
        if self.stuck and lowest == highest:
            # It never flickered while it stood: so this is a movement.
            return False
        lowest = value if value < lowest else lowest
        highest = value if value > highest else highest
        span = highest - lowest
        if span > MOST_FLICKER_K + SMALLEST or span > flicker_k(self._step):
            return False
        self._lowest, self._highest = lowest, highest
        return True

    @property
    def _step(self) -> float:
        return self._resolution.step if self._flickers else 0.0

    def _look(self, t: int, value: float) -> None:
        self._follow(t, t - self.look_t + LOOK_EVERY_MS)
        self.look_t = t + LOOK_EVERY_MS
        self.looked = True
        moved = self._observe(t, value)
        if self.run_t is None:
            self.run_t, self._lowest, self._highest = t, value, value
        run_ms = t - self.run_t
        usual_ms = 0.0 if self._flickers else LONGER_THAN_USUAL * self.longest_run_ms
        self.since_t = self.run_t
        self.stuck = moved and run_ms >= max(SHORTEST_RUN_MS, usual_ms)

    def _follow(self, t: int, since_look_ms: int) -> None:
        """Smooth the witnesses; at the first look of a run they are taken as they are."""
        for index, witness in enumerate(self._witnesses):
            seen, before = witness(), self.smooth[index]
            if seen is None or seen.reckoning != self.reckonings[index]:
                # A jump of the reckoning is no movement: what was seen before it says nothing.
                self._watches[index].begin()
                before = None
            if seen is None:
                self.smooth[index] = None
                continue
            self.reckonings[index], now, smoothed_over_ms = seen
            share = 1.0 - math.exp(-since_look_ms / smoothed_over_ms)
            self.smooth[index] = now if before is None else before + share * (now - before)

    def _observe(self, t: int, value: float) -> bool:
        """Hand value and witnesses on; say whether enough of them have moved while it stood."""
        count = len(self._watches)
        needed, moved_k, step = count, self._moved_k, self._step
        if self.first_t is None:
            self.first_t = t
        half_k = moved_k / 2 + FLICKER_STEPS * self._resolution.step
        known = self._resolution.step > 0.0 and t - self.first_t >= EXPERIENCED_MS
        if known and not self._flickers and half_k < moved_k:
            moved_k, needed = half_k, count if count <= FEW else count - 1
        moved = 0
        for watch, witness in zip(self._watches, self.smooth, strict=True):
            watch.moved = moved_k
            moved += watch.observe(t, value, witness, step)
        return moved >= needed

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {name: getattr(self, name) for name in (*_KEPT_OF_RUN, *_KEPT_OF_WITNESSES)} | {
            "watches": [watch.save() for watch in self._watches],
            "resolution": asdict(self._resolution),
            "run": [self._lowest, self._highest],
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; with other witnesses than then, their watches begin anew."""
        names = _KEPT_OF_RUN
        if len(state["watches"]) == len(self._watches):
            names = names | _KEPT_OF_WITNESSES
            for watch, saved in zip(self._watches, state["watches"], strict=True):
                watch.restore(saved)
        for name in names & state.keys():
            setattr(self, name, state[name])
        self._resolution = Resolution(**state.get("resolution", {}))
        self._lowest, self._highest = state.get("run", (0.0, 0.0))


_KEPT_OF_RUN = {"stuck", "since_t", "longest_run_ms", "first_t", "run_t", "look_t", "looked"}
_KEPT_OF_WITNESSES = {"smooth", "reckonings"}
"""Attributes of a watch that are saved as they are."""
