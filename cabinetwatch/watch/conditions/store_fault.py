"""`store-fault`: what is measured and told can't be written down."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.text import counted
from cabinetwatch.watch.conditions.base import SiteCondition


class StoreFaultSettings(AlarmSettings):
    """Keys of `[alarms.store-fault]`."""

    priority: str | None = "high"


class StoreFault(SiteCondition):
    """Raised when a write to the store fails or takes too long."""

    name = "store-fault"
    Settings = StoreFaultSettings
    response = (
        "Make room or replace the card; the system log names the error. The watch goes on telling"
        " from memory meanwhile, but a restart would forget what could not be written."
    )

    @property
    def likely(self) -> str:  # type: ignore[override]
        """What it likely is."""
        if self.house.site.store_set_aside:
            return "The disk or SD card is worn out, or lost power while it wrote."
        return "The disk or SD card is full, worn out or read-only, or another program holds it."

    @property
    def remedy(self) -> str:
        """What to do: about a damaged store the watch itself has done what can be done."""
        if self.house.site.store_set_aside:
            return (
                "The watch goes on with a new store. Replace a card that is old, and keep a backup:"
                " cabinetwatch restore FILE puts one in place."
            )
        return self.response

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow what the store's writer says."""
        del t, active
        return self.house.site.store_error is not None

    def seen(self) -> str:
        """Say what the disk answers."""
        site = self.house.site
        lost = f"; {_readings(site.readings_lost)} given up" if site.readings_lost else ""
        error = (site.store_error or "").removesuffix(".")
        if site.store_set_aside:
            return f"{error}."
        return f"The watch can't keep its records: {error[:1].lower()}{error[1:]}{lost}."

    def gone(self) -> str:
        """Say that it works again, and what was lost."""
        site = self.house.site
        if site.store_note:
            return f"The watch goes on with a new store; {site.store_note}."
        lost = site.readings_lost
        so = f"; {_readings(lost)} lost" if lost else "; nothing was lost"
        return f"The watch can keep its records again{so}."

    def values(self) -> dict[str, Any]:
        """The error and the loss."""
        site = self.house.site
        return {"error": site.store_error, "readings_lost": site.readings_lost}


def _readings(count: int) -> str:
    return f"{counted(count, 'reading')} {'was' if count == 1 else 'were'}"
