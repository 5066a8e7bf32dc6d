"""The table [site]: the installation as a whole."""

import difflib
import zoneinfo
from typing import Annotated

from pydantic import AfterValidator, Field

from cabinetwatch.config.base import Table
from cabinetwatch.config.kinds import NotNegative, PlainText, Positive


def _known_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        nearest = difflib.get_close_matches(name, sorted(zoneinfo.available_timezones()), 1, 0)
        raise ValueError(f"is no known time zone; the nearest is {nearest[0]}") from None
    return name


class Site(Table):
    """One installation, watched by one daemon."""

    name: PlainText = Field("home", description="the name that mails and pages give the place")
    timezone: Annotated[str, AfterValidator(_known_zone)] = Field(
        "UTC", description='a name of the time zone database, such as "Europe/Dublin"'
    )
    altitude_m: float = Field(
        0.0, ge=-430, le=9000, description="the height above the sea in m, -430 to 9000"
    )
    design_ambient_c: float = Field(
        35.0,
        ge=-50,
        le=70,
        description="the hottest air to be reckoned with outside the cabinet in °C, -50 to 70",
    )
    derating_base_m: NotNegative = Field(
        900.0, description="the height in m, 0 or more, above which thin air lowers thresholds"
    )
    derating_k_per_km: NotNegative = Field(
        3.3, description="by how many K, 0 or more, each km above that height lowers them"
    )
    learning_days: Positive = Field(
        7.0, description="how many days, above 0, what is normal is learnt for"
    )
    lateness_s: NotNegative = Field(
        5.0, description="how many seconds, 0 or more, a reading with its own time may be late"
    )
