"""Which version of MQTT the next attempt speaks."""

from typing import Literal

Protocol = Literal["5", "3.1.1"]


class ProtocolChoice:
    """With `auto`, 5 first, and 3.1.1 to a broker that knows no other.

    One that says so is believed for good. One that gives no answer may be such a broker or may be
    ill: every other attempt tries 3.1.1.

    Args:
        configured: "auto", "5" or "3.1.1".
    """

    def __init__(self, configured: Literal["auto", "5", "3.1.1"]) -> None:
        self._auto = configured == "auto"
        self._knows_no_5 = False
        self.present: Protocol = "3.1.1" if configured == "3.1.1" else "5"

    def refused_version(self) -> None:
        """The broker says that it doesn't know the version just tried."""
        self._knows_no_5 |= self.present == "5"

    def after_loss(self, *, no_answer: bool) -> bool:
        """Choose anew after a connection is gone; `no_answer` when the broker never said a word.

        Returns:
            Whether the choice has changed.
        """
        before = self.present
        if self._auto:
            fall_back = self._knows_no_5 or (no_answer and before == "5")
            self.present = "3.1.1" if fall_back else "5"
        return self.present != before
