"""`broker-lost`: the watch has no connection to the MQTT broker and hears nothing."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.base import SiteCondition


class BrokerLostSettings(AlarmSettings):
    """Keys of `[alarms.broker-lost]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0


class BrokerLost(SiteCondition):
    """Raised when the running watch has been without its broker for the on-delay."""

    name = "broker-lost"
    Settings = BrokerLostSettings
    likely = "The broker or its machine is down, the network is, or the broker refuses us."
    response = (
        "See that the broker runs and can be reached; cabinetwatch check says what it answers."
        " Until it is back no device is watched."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the connection; a watch that does not run can't know."""
        del t, active
        site = self.house.site
        return None if not site.running else not site.connected

    def seen(self) -> str:
        """Say why, as far as known."""
        reason = self.house.site.disconnect_reason
        return f"The watch has no connection to its MQTT broker{': ' if reason else ''}{reason}."

    def gone(self) -> str:
        """Say that it is back."""
        return "The watch is connected to its MQTT broker again."

    def values(self) -> dict[str, Any]:
        """Why the connection is gone."""
        return {"reason": self.house.site.disconnect_reason}
