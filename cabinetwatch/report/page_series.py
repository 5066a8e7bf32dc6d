"""What the page needs of the store's tiers."""

from collections.abc import Sequence
from typing import Protocol


class Bucket(Protocol):
    """Figures of one stretch of time, which begins at `utc_ms`."""

    @property
    def utc_ms(self) -> int:
        """Its beginning, UTC in ms."""

    @property
    def mean(self) -> float:
        """Over the stretch."""

    @property
    def minimum(self) -> float:
        """The lowest single value."""

    @property
    def maximum(self) -> float:
        """The highest single value."""


class Series(Protocol):
    """Buckets in order of time, each `step_ms` wide; one without data is left out."""

    @property
    def step_ms(self) -> int:
        """The width of each bucket."""

    @property
    def buckets(self) -> Sequence[Bucket]:
        """In order of time."""


class ReadSeries(Protocol):
    """Reads a figure of a subject in buckets that begin in [from, to), about `points` at most."""

    def __call__(
        self, subject: str, figure: str, from_utc_ms: int, to_utc_ms: int, points: int
    ) -> Series:
        """Read them."""
