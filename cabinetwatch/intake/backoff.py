"""How long to wait before the next attempt to connect."""

import random

_FIRST_S = 1.0
_LONGEST_S = 60.0
# A connection that held this long was a good one: the next wait begins from the start.
_GOOD_AFTER_S = 30.0


class Backoff:
    """Waits that double from 1 s to 60 s, each shortened at random by up to a half.

    The jitter keeps many clients of one broker from coming back all at once.
    """

    def __init__(self) -> None:
        self._next_s = _FIRST_S

    def next_s(self) -> float:
        """Seconds to wait now."""
        wait_s = self._next_s
        self._next_s = min(2 * wait_s, _LONGEST_S)
        return wait_s * random.uniform(0.5, 1.0)  # noqa: S311 - spreads load, guards nothing

    def held(self, seconds: float) -> None:
        """A connection held for so long."""
        if seconds >= _GOOD_AFTER_S:
            self._next_s = _FIRST_S
