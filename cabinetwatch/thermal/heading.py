"""Where a deviation from the normal rise may lead: one of several likely courses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp

from cabinetwatch.thermal.bounds import check, check_positive, root


@dataclass(frozen=True, slots=True)
class Heading:
    """A course with its weight: it ends at `goal_k`, and has `ways` still to go.

    `ways` are pairs of what is left (K) and the time constant (s) by which that fades. The doubt
    `sd_k` grows with its own time constant `doubt_tau_s`. ValueError for figures that can't be
    reckoned with.
    """

    weight: float
    goal_k: float
    ways: tuple[tuple[float, float], ...]
    sd_k: float
    doubt_tau_s: float

    def __post_init__(self) -> None:
        check(self.weight, self.goal_k, self.sd_k)
        check_positive(self.doubt_tau_s)
        for way_k, tau_s in self.ways:
            check(way_k)
            check_positive(tau_s)

    @property
    def level_k(self) -> float:
        """Where it is now."""
        return self.goal_k - sum(way_k for way_k, _ in self.ways)

    def at_k(self, ahead_s: float, doubt_k: float = 0.0) -> float:
        """Where it is `ahead_s` from now, if it ends `doubt_k` higher; never before now."""
        ahead_s = max(ahead_s, 0.0)
        left_k = sum(way_k * exp(-ahead_s / tau_s) for way_k, tau_s in self.ways)
        return self.goal_k - left_k + doubt_k * (1.0 - exp(-ahead_s / self.doubt_tau_s))

    def doubted(self, share: float) -> Heading:
        """The same, its way doubted by this share."""
        doubt_k = share * (self.goal_k - self.level_k)
        return replace(self, sd_k=root(self.sd_k * self.sd_k + doubt_k * doubt_k))

    def held_below(self, top_k: float) -> Heading:
        """The same, ending at the top or at its present level, whichever is higher."""
        level_k = self.level_k
        goal_k = min(self.goal_k, max(top_k, level_k))
        if goal_k == self.goal_k:
            return self
        share = (goal_k - level_k) / (self.goal_k - level_k)
        ways = tuple((share * way_k, tau_s) for way_k, tau_s in self.ways)
        return replace(self, goal_k=goal_k, ways=ways)
