"""`broker-lost`: the watch has no connection to the MQTT broker that holds, and hears nothing."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.text import counted
from cabinetwatch.watch.conditions.base import SiteCondition


class BrokerLostSettings(AlarmSettings):
    """Keys of `[alarms.broker-lost]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0


class BrokerLost(SiteCondition):
    """Raised when the running watch has been without its broker for the on-delay.

    A connection that breaks before it has held ends no absence: the on-delay runs on from the last
    one that held. The first to come back is trusted all the same for as long as it may take to
    hold, so that an absence shorter than the on-delay raises nothing.
    """

    name = "broker-lost"
    Settings = BrokerLostSettings
    likely = "The broker or its machine is down, the network is, or the broker refuses us."
    response = (
        "See that the broker runs and can be reached; cabinetwatch check says what it answers."
        " Until it is back no device is watched."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the connection; a watch that does not run can't know."""
        del t
        site = self.house.site
        if not site.running:
            return None
        return not (site.connection.held if active else site.connection.back)

    @property
    def on_delay_s(self) -> float:
        """What is left of the delay when it is found that the connection doesn't hold."""
        connection = self.house.site.connection
        if connection.away_t is None or connection.flapped_t is None:
            return self.settings.on_delay_s
        gone_by_s = (connection.flapped_t - connection.away_t) / 1000
        return max(0.0, self.settings.on_delay_s - gone_by_s)

    def began(self, pending_t: int) -> int:
        """It began when the last connection that held was lost."""
        away_t = self.house.site.connection.away_t
        return pending_t if away_t is None else min(pending_t, away_t)

    def seen(self) -> str:
        """Say why, as far as known."""
        connection = self.house.site.connection
        why = f": {connection.reason}" if connection.reason else ""
        if connection.broken:
            times = counted(connection.broken, "time")
            return (
                "The watch's connection to its MQTT broker does not hold: it broke again within"
                f" 30 s of being made, {times} so far{why}."
            )
        if connection.up:
            return (
                f"The connection to the MQTT broker is there, but has not held for 30 s yet{why}."
            )
        return f"The watch has no connection to its MQTT broker{why}."

    def gone(self) -> str:
        """Say that it is back."""
        return "The watch is connected to its MQTT broker again."

    def values(self) -> dict[str, Any]:
        """Why the connection is gone, and how many did not hold."""
        connection = self.house.site.connection
        return {"reason": connection.reason, "broken_connections": connection.broken}
