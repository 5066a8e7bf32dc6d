"""Finds a sensor that is frozen while the world around it moves."""

from collections.abc import Callable, Sequence
from math import exp, nan
from typing import Any

from cabinetwatch.thermal.stuck import StuckWatch

LOOK_EVERY_MS = 30_000
"""A value that stands is looked at this often: the world around it moves no faster."""

SHORTEST_RUN_MS = 1_800_000
"""Our choice: gear takes minutes to answer its ambient, and coarse sensors stand for minutes."""

SMOOTHED_OVER_MS = 900_000
"""Witnesses are smoothed over this time: gear need not answer a door open for two minutes."""

LONGER_THAN_USUAL = 3.0
"""A value must stand so many times longer than it ever did while the sensor was in good order."""

Witness = Callable[[], tuple[int, float] | None]
"""What should have moved with the sensor, under a number that changes when it is reckoned anew and
may jump for that; None while it can't be known."""


class FrozenWatch:
    """Watches one sensor for standing still. Call `changed` or `stands` for each reading.

    It is stuck when every witness has moved meanwhile, and it has stood far longer than it used to.
    Without a witness it is never stuck: a plug that reads the same all night is not.

    Args:
        witnesses: all of them must have moved.
        moved_k: by how much, at least.
    """

    def __init__(self, witnesses: Sequence[Witness], moved_k: float) -> None:
        self._witnesses = witnesses
        self._moved_k = moved_k
        self._watches = [StuckWatch(moved_k) for _ in witnesses]
        self._longest_run_ms = 0
        self._run_t: int | None = None
        self._look_t = 0
        self._looked = False
        self._smooth: list[float | None] = [None for _ in witnesses]
        self._reckonings = [0 for _ in witnesses]
        self.since_t = 0
        """Since when the value has stood, once it is stuck."""

    def changed(self, t: int, value: float) -> None:
        """Take a value that differs from the one before."""
        if self._looked:
            self._looked = False
            self._observe(t, value)
            self._smooth = [None for _ in self._witnesses]
        if self._run_t is not None:
            self._longest_run_ms = max(self._longest_run_ms, t - self._run_t)
        self._run_t = t

    def stands(self, t: int, value: float) -> bool:
        """Take a value that equals the one before; say whether the sensor is stuck."""
        if t < self._look_t:
            return False
        self._follow(t, t - self._look_t + LOOK_EVERY_MS)
        self._look_t = t + LOOK_EVERY_MS
        self._looked = True
        all_moved = self._observe(t, value)
        if self._run_t is None:
            self._run_t = t
        run_ms = t - self._run_t
        least_ms = max(SHORTEST_RUN_MS, LONGER_THAN_USUAL * self._longest_run_ms)
        self.since_t = self._run_t
        return all_moved and run_ms >= least_ms

    def _follow(self, t: int, since_look_ms: int) -> None:
        """Smooth the witnesses; at the first look of a run they are taken as they are."""
        share = 1.0 - exp(-since_look_ms / SMOOTHED_OVER_MS)
        for index, witness in enumerate(self._witnesses):
            seen, before = witness(), self._smooth[index]
            if seen is None or seen[0] != self._reckonings[index]:
                # A jump of the reckoning is no movement: what was seen before it says nothing.
                self._watches[index].observe(t, nan, None)
                before = None
            if seen is None:
                self._smooth[index] = None
                continue
            self._reckonings[index], now = seen
            self._smooth[index] = now if before is None else before + share * (now - before)

    def _observe(self, t: int, value: float) -> bool:
        """Hand value and witnesses on; say whether every witness has moved while it stood."""
        all_moved = True
        for watch, witness in zip(self._watches, self._smooth, strict=True):
            if not watch.observe(t, value, witness):
                all_moved = False
        return all_moved

    def recovered(self, t: int) -> None:
        """Begin anew after it was stuck: that run says nothing of its usual ones."""
        self._run_t = t

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "watches": [watch.save() for watch in self._watches],
            "longest_run_ms": self._longest_run_ms,
            "run_t": self._run_t,
            "look_t": self._look_t,
            "looked": self._looked,
            "smooth": self._smooth,
            "reckonings": self._reckonings,
            "since_t": self.since_t,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; with other witnesses than then, their watches begin anew."""
        if len(state["watches"]) == len(self._watches):
            self._watches = [StuckWatch.load(watch) for watch in state["watches"]]
            self._smooth = list(state["smooth"])
            self._reckonings = list(state["reckonings"])
        self._longest_run_ms = state["longest_run_ms"]
        self._run_t = state["run_t"]
        self._look_t = state["look_t"]
        self._looked = state["looked"]
        self.since_t = state["since_t"]
