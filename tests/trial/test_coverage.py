"""Known truth recovered from simulated trials, stratum by stratum of phase length."""

from collections import defaultdict

import pytest

from cabinetwatch.trial.judgement import PhaseFigures, analyse
from cabinetwatch.trial.readings import Estimate
from tests.trial.population import STRATA, PhaseTruth, Simulated, draw

MOSTLY_ONE_RESPONSE = ("one node", "two nodes")


class Tally:
    """Counts how often the truth lay inside, and how far time constants were off."""

    def __init__(self) -> None:
        self.inside: dict[tuple[int, str], list[bool]] = defaultdict(list)
        self.half_width_k: dict[tuple[int, str], list[float]] = defaultdict(list)
        self.tau: list[bool] = []

    def add(self, simulated: Simulated) -> None:
        """Analyse a trial and count."""
        figures = analyse(simulated.trial)
        stratum = next(
            i for i, (low, high) in enumerate(STRATA) if low <= simulated.before.length <= high
        )
        before, after = simulated.before, simulated.after
        self._count(stratum, "before", figures.before.rise, before.rise_k)
        self._count(stratum, "after", figures.after.rise, after.rise_k)
        self._count(stratum, "change", figures.change, after.rise_k - before.rise_k)
        if simulated.kind in MOSTLY_ONE_RESPONSE:
            self._count_tau(figures.before, before)
            self._count_tau(figures.after, after)

    def _count(self, stratum: int, what: str, told: Estimate | None, truth_k: float) -> None:
        if told is not None:
            self.inside[stratum, what].append(told.low <= truth_k <= told.high)
            self.half_width_k[stratum, what].append((told.high - told.low) / 2)

    def _count_tau(self, told: PhaseFigures, truth: PhaseTruth) -> None:
        """Only where a phase of two time constants began far from settled: else there is none."""
        if truth.length >= 2 and truth.has_transient and told.rise is not None:
            tau_s = told.time_constant_s
            self.tau.append(tau_s is not None and abs(tau_s / truth.time_constant_s - 1.0) <= 0.15)

    def lines(self) -> list[str]:
        """One line a stratum and figure."""
        return [
            f"{STRATA[stratum]} time constants, {what}: {len(hits)} trials,"
            f" inside {sum(hits) / len(hits):.3f},"
            f" half width {sorted(self.half_width_k[stratum, what])[len(hits) // 2]:.2f} K"
            for (stratum, what), hits in sorted(self.inside.items())
        ]


def _run(count: int, seed: int) -> Tally:
    tally = Tally()
    for simulated in draw(count, seed):
        tally.add(simulated)
    print("\n" + "\n".join(tally.lines()))
    print(f"time constant within 15 %: {sum(tally.tau) / len(tally.tau):.3f} of {len(tally.tau)}")
    return tally


def test_a_trial_of_each_stratum_recovers_the_truth() -> None:
    tally = _run(len(STRATA), seed=11)
    assert len(tally.inside) == 3 * len(STRATA)
    for what in ("before", "after", "change"):
        hits = [hit for (_, name), found in tally.inside.items() if name == what for hit in found]
        assert len(hits) == len(STRATA)
        # Of as many 1 miss of 5 % is luck, more hardly.
        assert hits.count(False) <= 1
    assert sum(tally.tau) / len(tally.tau) >= 0.9


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_two_thousand_trials_recover_the_truth_in_every_stratum() -> None:
    tally = _run(2004, seed=12)
    for hits in tally.inside.values():
        assert len(hits) > 250
        assert sum(hits) / len(hits) >= 0.93
    assert sum(tally.tau) / len(tally.tau) >= 0.9


def _wandering(count: int, seed: int, wander: float) -> Tally:
    """Trials without a meter, of two time constants and more."""
    tally = Tally()
    for simulated in draw(count, seed, wander):
        if min(simulated.before.length, simulated.after.length) >= 2.0:
            tally.add(simulated)
    print(f"\nload wanders by {wander:.0%}, nobody measures it\n" + "\n".join(tally.lines()))
    return tally


def test_intervals_hold_the_truth_though_nobody_measures_a_load_that_wanders() -> None:
    tally = _wandering(12, 21, 0.03)
    hits = [hit for found in tally.inside.values() for hit in found]
    assert len(hits) == 18
    # Of as many 3 misses of 5 % are luck, more hardly.
    assert hits.count(False) <= 3


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("wander", [0.0, 0.01, 0.03, 0.06])
def test_intervals_hold_the_truth_for_loads_of_every_wander(wander: float) -> None:
    tally = _wandering(300, 22, wander)
    hits = [hit for found in tally.inside.values() for hit in found]
    assert sum(hits) / len(hits) >= 0.93
