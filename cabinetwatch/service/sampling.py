"""The devices' live figures, condensed to minutes for the tiers."""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.store.tiers import FigureMinute, Gatherer, Tier

SAMPLE_EVERY_MS = 10_000


class FigureSampler:
    """Gathers the figures that are numbers; a minute is told once it is over."""

    def __init__(self) -> None:
        self._minute_utc_ms = 0
        self._gathered: Gatherer[tuple[str, str]] = Gatherer(Tier.MINUTES.width_ms)

    def sample(self, utc_ms: int, devices: Mapping[str, Mapping[str, Any]]) -> list[FigureMinute]:
        """Take the figures of an instant; give the minute that ended with it, if one did.

        Args:
            utc_ms: the instant; one out of order, after a step of the clock, begins a minute anew.
            devices: the published figures of each; what is unknown (None) is left out, and yes or
                no counts as 1 or 0.
        """
        minute_utc_ms = utc_ms - utc_ms % Tier.MINUTES.width_ms
        over = self.rest() if minute_utc_ms != self._minute_utc_ms else []
        self._minute_utc_ms = minute_utc_ms
        for device, figures in devices.items():
            for figure, value in figures.items():
                if isinstance(value, int | float):
                    self._gathered.add((device, figure), utc_ms, float(value))
        return over

    def rest(self) -> list[FigureMinute]:
        """Give what there is of the present minute, and begin anew."""
        devices: dict[str, dict[str, Any]] = {}
        for device, figure in self._gathered:
            (bucket,) = self._gathered.buckets((device, figure))
            devices.setdefault(device, {})[figure] = bucket
        self._gathered = Gatherer(Tier.MINUTES.width_ms)
        return [FigureMinute(self._minute_utc_ms, devices)] if devices else []
