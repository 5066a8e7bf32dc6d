"""The thinned record of a device's first days, from which it is learnt."""

from __future__ import annotations

from array import array
from base64 import b64decode, b64encode
from typing import Any
from zlib import compress, decompress

from cabinetwatch.thermal.windows import Window

_BIN_MS = 59_000
_LONGEST_S = 1_000_000_000
"""Some thirty years: more than any record lasts, and less than its column of seconds holds."""

_COLUMNS = ("temperature_c", "ambient_c", "ambient_mean_c", "power_w", "power_mean_w")
UNKNOWN = -1.0
"""Stands for a power that isn't known."""


class History:
    """One row a minute (or a window, where these are longer), at most `longest` rows.

    Seven days are 10,080 rows of 24 bytes. Columns: end of the bin (s after `start_ms`), its length
    (s), temperature and ambient in its last window, mean ambient, last and mean power.
    """

    def __init__(self, longest: int = 11_000) -> None:
        self.longest = longest
        self.start_ms: int | None = None
        self.end_s = array("i")
        self.columns = {name: array("f") for name in _COLUMNS}
        self._length_ms = 0
        self._ambient_area = 0.0
        self._power_area = 0.0

    def __len__(self) -> int:
        return len(self.end_s)

    def add(self, window: Window) -> None:
        """Take one window. After a gap that no record spans it begins anew with the next.

        Raises:
            ValueError: figures that can't be reckoned with, or a window that goes back in time.
        """
        window.check()
        end_s = 0 if self.start_ms is None else round((window.t_ms - self.start_ms) / 1000.0)
        if max(end_s, window.step_ms // 1000) > _LONGEST_S:
            self.clear()
            return
        if end_s < (self.end_s[-1] if self.end_s else 0):
            raise ValueError("windows don't go back in time")
        if self.start_ms is None:
            self.start_ms = window.t_ms - window.step_ms
        self._length_ms += window.step_ms
        self._ambient_area += window.ambient_mean_c * window.step_ms
        power = UNKNOWN if window.power_w is None else window.power_w
        self._power_area += power * window.step_ms
        if self._length_ms < _BIN_MS or len(self) >= self.longest:
            return
        self.end_s.append(round((window.t_ms - self.start_ms) / 1000.0))
        last_power = UNKNOWN if window.last_power_w is None else window.last_power_w
        row = (
            window.temperature_c,
            window.ambient_c,
            self._ambient_area / self._length_ms,
            last_power,
            self._power_area / self._length_ms,
        )
        for name, value in zip(_COLUMNS, row, strict=True):
            self.columns[name].append(round(value, 3))
        self._length_ms = 0
        self._ambient_area = self._power_area = 0.0

    def clear(self) -> None:
        """Forget all rows."""
        self.start_ms = None
        self._length_ms = 0
        self._ambient_area = self._power_area = 0.0
        self.end_s = array("i")
        self.columns = {name: array("f") for name in _COLUMNS}

    def save(self) -> dict[str, Any]:
        """State for `load`; rows packed, about ten bytes each."""
        return {
            "start_ms": self.start_ms,
            "end_s": _pack(array("i", self.end_s)),
            "columns": {name: _pack(column) for name, column in self.columns.items()},
            "bin": [self._length_ms, self._ambient_area, self._power_area],
            "longest": self.longest,
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> History:
        """The record as it was at `save`."""
        new = cls(state["longest"])
        new.start_ms = state["start_ms"]
        new.end_s = _unpack("i", state["end_s"])
        new.columns = {name: _unpack("f", text) for name, text in state["columns"].items()}
        new._length_ms, new._ambient_area, new._power_area = state["bin"]
        return new


def _pack(values: array[Any]) -> str:
    return b64encode(compress(values.tobytes())).decode("ascii")


def _unpack(code: str, text: str) -> array[Any]:
    values: array[Any] = array(code)
    values.frombytes(decompress(b64decode(text)))
    return values
