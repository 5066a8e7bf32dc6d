"""Equal load: whether two phases can be compared, and the change at one load."""

from dataclasses import dataclass

from cabinetwatch.trial.estimate import Estimate

MOST_APART = 0.1
"""Loads further apart than this are not called equal; our choice. Rise is in proportion to power
only near one load, and thinner still is the ground for a verdict from another."""


@dataclass(frozen=True)
class Comparison:
    """The change of the settled rise at the after phase's load, and what is to be said of load.

    `equal` is False when the loads lie too far apart for a verdict.
    """

    change: Estimate
    equal: bool
    sentence: str


def compare(
    before: Estimate,
    after: Estimate,
    before_w: float | None,
    after_w: float | None,
    *,
    spreads_k: tuple[float, float],
) -> Comparison:
    """Compare two rises, each at its phase's mean load.

    With power in both phases, the rise of before is brought to the load of after through its
    thermal resistance; how much that moved it is counted in full as uncertain, since rise is in
    proportion to power only roughly. Without, equal load is assumed.
    """
    plain = after.minus(before)
    if not before_w or not after_w:
        return Comparison(
            plain,
            True,
            "Equal load in both phases is assumed: no power was measured. About the fitted response"
            f" the temperature scattered by {spreads_k[0]:z.2f} K before and {spreads_k[1]:z.2f} K"
            " after.",
        )
    ratio = after_w / before_w
    moved_k = abs(before.value * (ratio - 1.0))
    change = after.minus(before.scaled(ratio)).widened(moved_k)
    words = (
        f"Mean load: {before_w:z.1f} W before ({before.value / before_w:z.3f} K/W),"
        f" {after_w:z.1f} W after ({after.value / after_w:z.3f} K/W)"
    )
    if abs(ratio - 1.0) > MOST_APART:
        words += f"; that is {100 * (ratio - 1):+z.0f} %, no equal load"
        return Comparison(change, False, f"{words}.")
    return Comparison(change, True, f"{words}; compared at the latter.")
