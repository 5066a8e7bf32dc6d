"""`session-taken`: another client uses our client ID, and takes the watch's session each time."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.base import SiteCondition
from cabinetwatch.watch.connection import TAKEN_FOR_MS


class SessionTakenSettings(AlarmSettings):
    """Keys of `[alarms.session-taken]`."""

    priority: str | None = "high"


class SessionTaken(SiteCondition):
    """Raised when the broker says so, or closes two connections in a row before they have held.

    Of two clients with one ID the broker lets in the one that came last (MQTT 5.0, 3.1.4-3), and in
    3.1.1 (3.1.4-2) it may not say why it sends the other away. It returns once nobody has taken the
    session for five minutes.
    """

    name = "session-taken"
    Settings = SessionTakenSettings
    likely = (
        "A second watch runs with this configuration, or with a copy of this store and its"
        " .client-id file; or another program or node was given this client ID."
    )
    response = (
        "Stop the second watch, or give each client of the broker its own client_id (in [mqtt])."
        " The broker's log names the address that the other one comes from. To rule it out for"
        " good, have the broker bind client IDs to users (deploy/mosquitto/users.md)."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the signs of it; a watch that does not run can't know."""
        del active
        site = self.house.site
        if not site.running:
            return None
        taken_t = site.connection.taken_t
        taken = taken_t is not None and site.connection.is_taken(t)
        self.due = taken_t + TAKEN_FOR_MS if taken_t is not None and taken else None
        return taken

    def seen(self) -> str:
        """Say who it is, as far as known, and what that costs."""
        connection = self.house.site.connection
        surely = "uses" if connection.told_taken else "seems to use"
        return (
            f"Another client {surely} the watch's client ID {connection.client_id}: each throws the"
            " other off the broker, so that the watch hears only part of what is sent, and alarms"
            " may come late or not at all."
        )

    def gone(self) -> str:
        """Say that it is over."""
        return "No other client has taken the watch's session for 5 min."

    def values(self) -> dict[str, Any]:
        """The ID in question."""
        return {"client_id": self.house.site.connection.client_id}
