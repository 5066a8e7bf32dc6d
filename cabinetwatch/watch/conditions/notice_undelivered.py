"""`notice-undelivered`: a channel can't deliver its notices."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.base import SiteCondition


class NoticeUndeliveredSettings(AlarmSettings):
    """Keys of `[alarms.notice-undelivered]`."""

    priority: str | None = "high"
    on_delay_s: float = 300.0


class NoticeUndelivered(SiteCondition):
    """Raised at once when a server refuses for good, after the on-delay when it can't be had."""

    name = "notice-undelivered"
    Settings = NoticeUndeliveredSettings
    settings: NoticeUndeliveredSettings
    likely = "The mail server is down or refuses us, a password has changed, or the clock is off."
    response = (
        "Try cabinetwatch check --send and mend what it names. Waiting notices go out by themselves"
        " once the channel works; one refused for good does not: cabinetwatch alarms shows what has"
        " happened meanwhile."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow what delivery says of its channels."""
        del t, active
        return bool(self.house.site.failing)

    @property
    def on_delay_s(self) -> float:
        """No delay once any refusal is final."""
        if any(final for _, final in self.house.site.failing.values()):
            return 0.0
        return self.settings.on_delay_s

    def seen(self) -> str:
        """Say which channel, and what it answers."""
        faults = "; ".join(
            f"{channel}: {error}" for channel, (error, _) in sorted(self.house.site.failing.items())
        )
        return f"Notices can't be delivered by {faults}."

    def gone(self) -> str:
        """Say that they go out again."""
        return "Notices are delivered again."

    def values(self) -> dict[str, Any]:
        """The error of each failing channel."""
        return {"channels": {name: error for name, (error, _) in self.house.site.failing.items()}}
