"""Simulated devices for the trial's tests: independent of the code under test.

Two kinds of physics, each with a sensor that lags and that sits partly in the incoming air:

*one node*: C dT/dt = P - G (T - T_a); the sensor feels a share `bypass` of the ambient at once.
*two nodes*: a warm part and a slower mass (case, drives), each with its own way to the ambient, the
part to the mass besides; the sensor at the part or at the mass.

All is linear, stepped exactly mode by mode (all time constants are real); figures are
invented, of a plausible size.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter

Array = NDArray[np.float64]

GRID_S = 5.0


@dataclass(frozen=True)
class Physics:
    """x' = A x + b_p P + b_a T_a; sensor = c x + d T_a, all of settled gain 1 for ambient."""

    a: Array
    b_power: Array
    b_ambient: Array
    c: Array
    d: float

    @property
    def resistance_k_w(self) -> float:
        """Settled rise of the sensor per W."""
        return float(-self.c @ np.linalg.solve(self.a, self.b_power))

    @property
    def time_constant_s(self) -> float:
        """When the sensor has made 63.2 % of its way after a step of power."""
        modes = self.modes

        def missing(t_s: float) -> float:
            return float(sum(share * np.exp(-t_s / tau_s) for tau_s, share in modes) - np.exp(-1.0))

        return float(brentq(missing, 1e-3 * modes[0][0], 6 * modes[0][0]))

    @property
    def modes(self) -> list[tuple[float, float]]:
        """Time constant (s) and share of every mode in the response to a step of power."""
        rates, modes = np.linalg.eig(self.a)
        shares = (self.c @ modes) * (np.linalg.inv(modes) @ np.linalg.solve(self.a, self.b_power))
        whole = float(np.sum(shares.real))
        return sorted(
            (
                (-1.0 / rate, share / whole)
                for rate, share in zip(rates.real, shares.real, strict=True)
            ),
            reverse=True,
        )

    def settled_state(self, power_w: float, ambient_c: float) -> Array:
        """Where all masses settle."""
        drive = self.b_power * power_w + self.b_ambient * ambient_c
        return np.asarray(-np.linalg.solve(self.a, drive))

    def run(self, state: Array, power_w: Array, ambient_c: Array) -> tuple[Array, Array]:
        """Step through inputs (n grid steps each); give the sensor at each, and the last state."""
        rates, modes = np.linalg.eig(self.a)
        inverse = np.linalg.inv(modes)
        drives = np.outer(inverse @ self.b_power, power_w)
        drives += np.outer(inverse @ self.b_ambient, ambient_c)
        at = inverse @ state
        sensed = self.d * ambient_c
        for i, rate in enumerate(rates.real):
            keep = np.exp(rate * GRID_S)
            gain = (keep - 1) / rate
            path, _ = lfilter([0.0, gain], [1.0, -keep], drives[i], zi=[at[i]])
            sensed += (self.c @ modes[:, i]) * path
            at[i] = keep * path[-1] + gain * drives[i, -1]
        return np.asarray(sensed), np.asarray(modes @ at)


def one_node(conductance_w_k: float, capacity_j_k: float, lag_s: float, bypass: float) -> Physics:
    """One mass and a sensor that lags."""
    rate = conductance_w_k / capacity_j_k
    return Physics(
        a=np.array([[-rate, 0.0], [1 / lag_s, -1 / lag_s]]),
        b_power=np.array([1 / capacity_j_k, 0.0]),
        b_ambient=np.array([rate, 0.0]),
        c=np.array([0.0, 1 - bypass]),
        d=bypass,
    )


def two_nodes(
    *,
    part_j_k: float,
    mass_j_k: float,
    part_to_air_w_k: float,
    part_to_mass_w_k: float,
    mass_to_air_w_k: float,
    lag_s: float,
    at_mass: float,
    bypass: float,
) -> Physics:
    """A warm part, a slower mass, a lagging sensor that sits `at_mass` of the way to the mass."""
    return Physics(
        a=np.array(
            [
                [-(part_to_air_w_k + part_to_mass_w_k) / part_j_k, part_to_mass_w_k / part_j_k, 0],
                [part_to_mass_w_k / mass_j_k, -(part_to_mass_w_k + mass_to_air_w_k) / mass_j_k, 0],
                [(1 - at_mass) / lag_s, at_mass / lag_s, -1 / lag_s],
            ]
        ),
        b_power=np.array([1 / part_j_k, 0.0, 0.0]),
        b_ambient=np.array([part_to_air_w_k / part_j_k, mass_to_air_w_k / mass_j_k, 0.0]),
        c=np.array([0.0, 0.0, 1 - bypass]),
        d=bypass,
    )
