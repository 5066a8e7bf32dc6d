"""The tables [summary] and [page]: the weekly mail, and the status page."""

from pathlib import Path
from typing import Literal

from pydantic import Field

from cabinetwatch.config.base import Table
from cabinetwatch.config.kinds import ClockTime, FilePath, MailAddresses, Positive


class Summary(Table):
    """When the weekly summary is mailed, and to whom: those of [notify.email] where left out."""

    day: Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] = (
        Field("monday", description="a day of the week in English, small letters")
    )
    time: ClockTime = Field(
        "07:00", description='a time of day in the site\'s time zone, such as "07:00"'
    )
    to: MailAddresses | None = Field(
        None, description='a list of addresses, such as ["owner@under-stairs.example"]'
    )


class Page(Table):
    """Where the status page is written, and how often."""

    directory: FilePath = Field(
        Path("/run/cabinetwatch/page"), description="a folder for the page and its pictures"
    )
    every_s: Positive = Field(15.0, description="the seconds, above 0, between two pages")
