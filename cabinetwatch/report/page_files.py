"""The files of the page: their names, and how they are written without ever being half there."""

import json
import os
import tempfile
import time
from pathlib import Path
from typing import Any, NamedTuple

INDEX = "index.html"
ICON = "icon.svg"
CHARTS = "charts"
MANIFEST = "charts.json"

_READERS = 0o044
_UNFINISHED = ".new"
_ABANDONED_AFTER_S = 600.0


class Span(NamedTuple):
    """A length of time that has a picture of each device.

    It is drawn anew once it is `redraw_s` old. Its stretches of `step_ms` are few enough that, over
    many days, the swing of each becomes the band of its day.
    """

    key: str
    label: str
    words: str
    length_ms: int
    step_ms: int
    redraw_s: float


_MINUTE_MS = 60_000
_HOUR_MS = 60 * _MINUTE_MS
_DAY_MS = 24 * _HOUR_MS

SPANS = (
    Span("6h", "6 h", "last 6 hours", 6 * _HOUR_MS, 2 * _MINUTE_MS, 0),
    Span("24h", "24 h", "last 24 hours", _DAY_MS, 10 * _MINUTE_MS, 0),
    Span("7d", "7 days", "last 7 days", 7 * _DAY_MS, _HOUR_MS, 1800),
    Span("90d", "90 days", "last 90 days", 90 * _DAY_MS, _DAY_MS, 10800),
)


def chart_name(device_id: str, span: Span) -> str:
    """Give the name of the file of a device's picture."""
    return f"{device_id}-{span.key}.svg"


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """Give what each picture in a page's folder shows, by the name of its file."""
    try:
        listed = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return listed if isinstance(listed, dict) else {}


def make_folder(folder: Path) -> None:
    """Make the page's folder, private, unless it is there.

    Raises:
        OSError: it can't be made.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file so that who reads it gets the old one or the new one, whole.

    Its readers are its folder's: a folder that a web server may read was given to it on purpose.

    Raises:
        OSError: the file can't be written; the old one is as it was.
    """
    descriptor, name = tempfile.mkstemp(prefix=".", suffix=_UNFINISHED, dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            os.fchmod(file.fileno(), 0o600 | path.parent.stat().st_mode & _READERS)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def drop_abandoned(folder: Path) -> None:
    """Delete what writers that were killed have left half written: in memory it would add up.

    Raises:
        OSError: something can't be deleted.
    """
    for path in folder.glob(f".*{_UNFINISHED}"):
        try:
            age_s = time.time() - path.stat().st_mtime
        except FileNotFoundError:
            continue
        if age_s > _ABANDONED_AFTER_S:
            path.unlink(missing_ok=True)
