"""Forecast benchmark: error of the time left, halfway to a threshold after lost cooling.

Nothing else happens in these records (steady room and load), so that the forecast is judged against
what it can know. Run from the root: `python -m tests.benchmarks.forecast`.
"""

from __future__ import annotations

from itertools import product
from math import log

import numpy as np

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import Scene, step_at

SENSORS = ((900.0, 10.0, 0.05), (3000.0, 30.0, 0.1), (400.0, 10.0, 0.1), (1800.0, 10.0, 0.2))
RISE_K = 12.0


def relative_error(
    scene: Scene, has_power: bool, loss: float, part: float, tau_factor: float
) -> float:
    """Forecast over true time left, minus 1; infinite when nothing is forecast."""
    observer = DeviceObserver(
        DeviceSettings(has_power, RISE_K, 40.0 if has_power else None, scene.tau_s * tau_factor)
    )
    fault_s = 6 * scene.tau_s
    scene.loss = step_at(fault_s, 1.0, loss)
    crossing_s = -log(1.0 - part) * scene.tau_s * loss
    last_ms = 0
    for row in scene.readings(fault_s + crossing_s / 2):
        observer.update(*row)
        last_ms = row[0]
    threshold_c = 20.0 + RISE_K * (1.0 + part * (loss - 1.0))
    forecast = observer.forecast(threshold_c, 20.0 * crossing_s).time_left_s
    left_s = fault_s + crossing_s - last_ms / 1000.0
    return float("inf") if forecast is None else forecast / left_s - 1.0


def main() -> None:
    """Print a line for each way of knowing the device."""
    for has_power, tau_factor in product((True, False), (1.0, 0.6, 1.4)):
        errors = np.array([
            relative_error(
                Scene(tau_s, RISE_K, noise_k=noise, interval_s=interval, seed=seed),
                has_power, loss, part, tau_factor,
            )
            for (tau_s, interval, noise), loss, part, seed in product(
                SENSORS, (1.4, 2.0, 3.0), (0.5, 0.7), (1, 2, 3)
            )
        ])  # fmt: skip
        within = (np.abs(errors) <= 0.3).mean()
        spread = np.quantile(errors, [0.05, 0.5, 0.95], method="higher").round(2)
        print(
            f"power {'known' if has_power else 'unknown'}, time constant x {tau_factor}:"
            f" n {len(errors)}, within 30 %: {within:.2f}, 5/50/95 % of the error: {spread}"
        )


if __name__ == "__main__":
    main()
