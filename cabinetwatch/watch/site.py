"""What the engine knows of the watch itself: its connection, its store, its delivery."""

from dataclasses import dataclass, field
from typing import Any

from cabinetwatch.watch.connection import ConnectionView
from cabinetwatch.watch.refusals import Refusals


@dataclass(slots=True)
class SiteView:
    """The state of the watch itself. Instants are watch time (ms).

    `failing` holds, for each channel that can't deliver now, the error and whether it is final.
    """

    name: str
    running: bool = False
    store_error: str | None = None
    readings_lost: int = 0
    store_note: str = ""
    store_set_aside: bool = False
    failing: dict[str, tuple[str, bool]] = field(default_factory=dict)
    connection: ConnectionView = field(default_factory=ConnectionView)
    refusals: Refusals = field(default_factory=Refusals)

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in, though the connection may not hold."""
        return self.connection.up

    def forget_channels_but(self, channels: set[str]) -> None:
        """Forget the faults of channels that are no longer delivered by."""
        self.failing = {name: fault for name, fault in self.failing.items() if name in channels}

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "running": self.running,
            "connected": self.connected,
            "disconnect_reason": self.connection.reason,
            "connection": self.connection.save(),
            "store_error": self.store_error,
            "readings_lost": self.readings_lost,
            "store_note": self.store_note,
            "store_set_aside": self.store_set_aside,
            "failing": {channel: list(fault) for channel, fault in self.failing.items()},
            "refusals": self.refusals.save(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.running = state["running"]
        self.connection.load(
            state.get("connection", {}), up=state["connected"], reason=state["disconnect_reason"]
        )
        self.store_error = state["store_error"]
        self.readings_lost = state["readings_lost"]
        self.store_note = state.get("store_note", "")
        self.store_set_aside = state.get("store_set_aside", False)
        self.failing = {name: (error, final) for name, (error, final) in state["failing"].items()}
        self.refusals = Refusals.load(state.get("refusals", {}))
