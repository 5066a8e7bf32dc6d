"""Simulated probes: what a cheap sensor makes of a true value, noise and steps included."""

import random
from collections.abc import Callable


class Probe:
    """Reads a true value with Gaussian noise and rounds it to the steps of its converter."""

    def __init__(
        self, truth: Callable[[], float], *, noise: float, resolution: float, seed: int
    ) -> None:
        """`noise` is a standard deviation; both it and `resolution` are in the truth's unit."""
        self.dead = False
        """A dead probe gives nothing at all."""
        self._truth = truth
        self._noise = noise
        self._resolution = resolution
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets

    def read(self) -> float | None:
        """Give one reading, or None when the probe is dead."""
        if self.dead:
            return None
        steps = round(self._random.gauss(self._truth(), self._noise) / self._resolution)
        # Ten figures hide what binary fractions leave behind, such as 21.200000000000003.
        return round(steps * self._resolution, 10)
