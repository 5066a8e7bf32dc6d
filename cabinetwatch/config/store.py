"""The table [store]: where readings and alarms are kept."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo

from cabinetwatch.config.base import Contradiction, Table
from cabinetwatch.config.kinds import expanded

_PREFIX = "sqlite:///"


def _resolve_url(url: object, info: ValidationInfo) -> object:
    """Let the path of an SQLite file start at the configuration's folder."""
    if not isinstance(url, str):
        return url
    path = url.removeprefix(_PREFIX)
    if not url.startswith(_PREFIX) or not path or path == ":memory:" or set("?#\0") & set(path):
        raise ValueError("names no SQLite file")
    folder: Path | None = (info.context or {}).get("folder")
    return url if folder is None else f"{_PREFIX}{folder / expanded(path)}"


class Store(Table):
    """The database. `url` holds an absolute path once loaded."""

    url: Annotated[str, BeforeValidator(_resolve_url)] = Field(
        "sqlite:///cabinetwatch.db",
        validate_default=True,
        description='sqlite:/// and a path, such as "sqlite:///cabinetwatch.db"',
    )
    flush_s: float = Field(
        10.0, gt=0, le=600, description="the seconds between two writes, above 0 and at most 600"
    )
    keep_raw_days: int = Field(
        30, ge=2, le=36500, description="the days that single readings are kept, 2 to 36500"
    )
    keep_minutes_days: int = Field(
        400, ge=2, le=36500, description="the days that minutes are kept, 2 to 36500"
    )
    keep_quarters_days: int = Field(
        3660, ge=2, le=36500, description="the days that quarter-hours are kept, 2 to 36500"
    )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Coarse figures stand for the fine ones that are gone, so they must outlive them."""
        fine_to_coarse = ("keep_raw_days", "keep_minutes_days", "keep_quarters_days")
        for fine, coarse in pairwise(key for key in fine_to_coarse if key in values):
            if values[fine] > values[coarse]:
                yield Contradiction(
                    coarse, f"is shorter than {fine} ({values[fine]}); give at least as many days"
                )

    @property
    def path(self) -> Path:
        """The database file."""
        return Path(self.url.removeprefix(_PREFIX))
