"""What comes and goes again and again is told a few times, and then stands until it keeps away.

Dust lifts a device out of its band whenever it has much to do, every day for weeks. An alarm that
is raised so often isn't read any more (a longer off-delay for an alarm that chatters: common
practice, no source).
"""

from typing import Any

FREE_RAISES = 2
"""Raised so often it returns as soon as it is gone; from the next raise on it has to keep away."""

KEEPS_AWAY_MS = 36 * 3_600_000
"""Our choice: longer than a day, since loads recur daily."""

_FORGOTTEN_MS = 72 * 3_600_000


class Recurrence:
    """Follows one judgement; feed it in the order of time."""

    def __init__(self) -> None:
        self.is_held = False
        self._was_there = False
        self._raises = 0
        self._last_t = 0

    def observe(self, t: int, is_there: bool, *, is_slight: bool) -> bool:
        """Take what is judged at `t` (watch ms); say whether it counts as standing."""
        if is_there:
            if not self._was_there and not self.is_held:
                is_new = self._raises == 0 or t - self._last_t > _FORGOTTEN_MS
                self._raises = 1 if is_new else self._raises + 1
            if not is_slight:
                self._raises = 0
            self._last_t = t
        elif self.is_held and t - self._last_t < KEEPS_AWAY_MS:
            return True
        self._was_there = is_there
        self.is_held = is_there and self._raises > FREE_RAISES
        return is_there

    def release(self) -> None:
        """It can't be now, whatever was: the device is off."""
        self.is_held = self._was_there = False

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "held": self.is_held,
            "there": self._was_there,
            "raises": self._raises,
            "last": self._last_t,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.is_held, self._was_there = state["held"], state["there"]
        self._raises, self._last_t = state["raises"], state["last"]
