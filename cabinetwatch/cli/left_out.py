"""Lines of a file that can't be taken: the first ones told, the rest counted."""

import sys
from pathlib import Path

from cabinetwatch.cli.output import say

_MOST_TOLD = 20


class LeftOut:
    """Tells on standard error what is left out of a file; `lines` numbers the lines with faults."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._count = 0
        self.lines: set[int] = set()

    def tell(self, number: int, sentence: str) -> None:
        """Take what is wrong with a line; one line may have several faults."""
        self.lines.add(number)
        self._count += 1
        if self._count <= _MOST_TOLD:
            say(f"{self._path}, line {number} {sentence}; it is left out", sys.stderr)

    def close(self) -> None:
        """Say how many were not told."""
        more = self._count - _MOST_TOLD
        if more > 0:
            say(f"{self._path}: {more} more faults are not shown", sys.stderr)
