"""Gathers the readings of a device's inputs into windows, each one step of the observers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cabinetwatch.thermal.bounds import check

SHORTEST_WINDOW_MS = 9_000
"""Our choice: ten-second readings with jitter make one window each, faster ones are averaged."""

LONGEST_LINE_MS = 600_000
"""Ambient readings further apart than this are not joined by a straight line."""


@dataclass(slots=True)
class Window:
    """What the inputs were over one window that ends at `t_ms`.

    `ambient_c` is the ambient at the readings, `ambient_mean_c` its mean over the whole window
    (straight lines between readings), `ambient_age_ms` how old its last reading is, `power_w` the
    mean power, `last_power_w` the latest one; None = unknown.
    """

    t_ms: int
    step_ms: int
    temperature_c: float
    ambient_c: float
    ambient_mean_c: float
    power_w: float | None
    last_power_w: float | None
    ambient_age_ms: int = 0

    def check(self) -> None:
        """Refuse what can't be reckoned with.

        Raises:
            ValueError: a figure beyond all reckoning, or a step that isn't above 0.
        """
        check(self.temperature_c, self.ambient_c, self.ambient_mean_c)
        check(self.power_w or 0.0, self.last_power_w or 0.0)
        if self.step_ms <= 0:
            raise ValueError(f"a window lasts some time, not {self.step_ms} ms")


class WindowGatherer:
    """Closes a window at the reading that completes it.

    A window is complete when every input has spoken in it and it is long enough. An input that
    stays silent is waited for up to `patience_ms`; that is noticed at a temperature reading. A
    reading dated before others (one that waited for its turn) counts as one of their instant.
    ValueError for figures that can't be reckoned with.
    """

    __slots__ = (
        "_ambient_area", "_ambient_c", "_ambient_n", "_ambient_sum", "_ambient_t_ms",
        "_latest_ms", "_opened_ms", "_power_area", "_power_n", "_power_t_ms", "_power_w",
        "_temperature_n", "_temperature_sum", "expects_power", "patience_ms",
    )  # fmt: skip

    def __init__(self, expects_power: bool, patience_ms: int = 60_000) -> None:
        self.expects_power = expects_power
        self.patience_ms = patience_ms
        self._latest_ms: int | None = None
        self._opened_ms: int | None = None
        self._temperature_sum = 0.0
        self._temperature_n = 0
        self._ambient_c: float | None = None
        self._ambient_t_ms = 0
        self._ambient_area = 0.0
        self._ambient_sum = 0.0
        self._ambient_n = 0
        self._power_w: float | None = None
        self._power_t_ms = 0
        self._power_area = 0.0
        self._power_n = 0

    def ambient(self, t_ms: int, ambient_c: float) -> Window | None:
        """Take an ambient reading; return the window that it completes, if it does."""
        check(ambient_c)
        t_ms = self._in_order(t_ms)
        before_c = self._ambient_c
        if before_c is None:
            self._ambient_area = ambient_c * (t_ms - self._opened(t_ms))
        else:
            # The window before counted the old value as held; the straight line puts that right.
            line_ms = min(t_ms - self._ambient_t_ms, LONGEST_LINE_MS)
            self._ambient_area += before_c * (t_ms - self._counted_to_ms(self._ambient_t_ms))
            self._ambient_area += 0.5 * (ambient_c - before_c) * line_ms
        self._ambient_c = ambient_c
        self._ambient_t_ms = t_ms
        self._ambient_sum += ambient_c
        self._ambient_n += 1
        return self._close_if_complete(t_ms)

    def power(self, t_ms: int, power_w: float | None) -> Window | None:
        """Take a power reading, or None when the power is no longer known."""
        check(power_w or 0.0)
        t_ms = self._in_order(t_ms)
        before_w, opened_ms = self._power_w, self._opened(t_ms)
        if before_w is None:
            self._power_area = (power_w or 0.0) * (t_ms - opened_ms)
        else:
            self._power_area += before_w * (t_ms - self._counted_to_ms(self._power_t_ms))
            if power_w is not None:
                # Loads step at an unknown instant between two readings: take the middle.
                line_ms = min(t_ms - self._power_t_ms, t_ms - opened_ms)
                self._power_area += 0.5 * (power_w - before_w) * line_ms
        self._power_w = power_w
        self._power_t_ms = t_ms
        self._power_n += 1
        return self._close_if_complete(t_ms)

    def temperature(self, t_ms: int, temperature_c: float) -> Window | None:
        """Take a reading of the device's temperature."""
        check(temperature_c)
        t_ms = self._in_order(t_ms)
        opened_ms = self._opened_ms
        if opened_ms is None:
            self._open(t_ms)
            return None
        self._temperature_sum += temperature_c
        self._temperature_n += 1
        if t_ms - opened_ms < SHORTEST_WINDOW_MS or self._ambient_c is None:
            return None
        if t_ms - opened_ms >= self.patience_ms or self._complete():
            return self._close(t_ms)
        return None

    def forget_ambient(self) -> None:
        """The ambient is lost: no window closes until it speaks again."""
        self._ambient_c = None
        self._ambient_area = 0.0
        self._ambient_sum = 0.0
        self._ambient_n = 0

    def _in_order(self, t_ms: int) -> int:
        self._latest_ms = t_ms = t_ms if self._latest_ms is None else max(t_ms, self._latest_ms)
        return t_ms

    def _counted_to_ms(self, reading_t_ms: int) -> int:
        return max(reading_t_ms, self._opened(reading_t_ms))

    def _opened(self, otherwise_ms: int) -> int:
        return otherwise_ms if self._opened_ms is None else self._opened_ms

    def _complete(self) -> bool:
        return (
            self._temperature_n > 0
            and self._ambient_n > 0
            and (self._power_n > 0 or not self.expects_power)
        )

    def _close_if_complete(self, t_ms: int) -> Window | None:
        opened_ms = self._opened_ms
        if opened_ms is None or t_ms - opened_ms < SHORTEST_WINDOW_MS or not self._complete():
            return None
        return self._close(t_ms)

    def _close(self, t_ms: int) -> Window:
        opened_ms, ambient_c = self._opened_ms, self._ambient_c
        if opened_ms is None or ambient_c is None:
            raise ArithmeticError("only a window that was opened, and has an ambient, is closed")
        step_ms = t_ms - opened_ms
        ambient_area = self._ambient_area
        ambient_area += ambient_c * (t_ms - self._counted_to_ms(self._ambient_t_ms))
        power_w = self._power_w
        mean_power_w = power_w
        if power_w is not None:
            power_area = self._power_area
            power_area += power_w * (t_ms - self._counted_to_ms(self._power_t_ms))
            mean_power_w = max(0.0, power_area / step_ms)
        window = Window(
            t_ms,
            step_ms,
            self._temperature_sum / self._temperature_n,
            self._ambient_sum / self._ambient_n if self._ambient_n else ambient_c,
            ambient_area / step_ms,
            mean_power_w,
            power_w,
            t_ms - self._ambient_t_ms,
        )
        self._open(t_ms)
        return window

    def _open(self, t_ms: int) -> None:
        self._opened_ms = t_ms
        self._temperature_sum = self._ambient_sum = 0.0
        self._temperature_n = self._ambient_n = self._power_n = 0
        self._ambient_area = self._power_area = 0.0

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {name.lstrip("_"): getattr(self, name) for name in self.__slots__}

    @classmethod
    def load(cls, state: dict[str, Any]) -> WindowGatherer:
        """The gatherer as it was at `save`."""
        gatherer = cls(False)
        for name in cls.__slots__:
            setattr(gatherer, name, state.get(name.lstrip("_"), getattr(gatherer, name)))
        return gatherer
