"""The table [store]: where readings and alarms are kept."""

from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo

from cabinetwatch.config.base import Table
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

    @property
    def path(self) -> Path:
        """The database file."""
        return Path(self.url.removeprefix(_PREFIX))
