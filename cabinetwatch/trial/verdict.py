"""The verdict: by the 95 % interval of the hot-day margin, or undecided with the reasons."""

from collections.abc import Sequence

from cabinetwatch.trial.data import Terms
from cabinetwatch.trial.estimate import Estimate
from cabinetwatch.trial.figures import Verdict

MEASURED_NOT_APPROVED = (
    "This is a sum on the figures given, no approval: local codes and licensed practice come first."
)


def judge(
    margin: Estimate | None, obstacles: Sequence[str], terms: Terms
) -> tuple[Verdict, tuple[str, ...]]:
    """Give the verdict and its reasons; any obstacle makes it undecided.

    `accept` when the lower end of the margin's interval is at least the margin to accept at,
    `watch` when it is at least 0, `reject` when the upper end is below 0, else `undecided`.
    """
    if obstacles:
        return "undecided", tuple(obstacles)
    if margin is None:
        return "undecided", ("Without a derating curve there is no margin to judge by.",)
    interval = (
        f"the hot-day margin lies between {margin.low:+z.1f} and {margin.high:+z.1f} K (95 %)"
    )
    wanted_k = terms.accept_margin_k
    if margin.low >= wanted_k:
        return "accept", (
            f"Accept: {interval}, at least the {wanted_k:zg} K asked for.",
            MEASURED_NOT_APPROVED,
        )
    if margin.low >= 0:
        return "watch", (
            f"Watch: {interval}, above 0 but not surely the {wanted_k:zg} K asked for.",
            MEASURED_NOT_APPROVED,
        )
    if margin.high < 0:
        return "reject", (f"Reject: {interval}, below 0: undo the change.",)
    return "undecided", (f"Undecided: {interval}, on both sides of 0; measure for longer.",)
