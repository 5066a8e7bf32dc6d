"""Recordings: what arrived, one JSON object a line.

`{"time": RFC 3339 or seconds since 1970, "topic": "...", "payload": "..."}`, and `"retain": true`
on the broker's copy of a last known value. Other members are left alone. Read, but never written,
is also what a broker's own command line client prints as JSON: `tst` for the time, and `retain` as
a number.
"""

import json
import os
import re
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from cabinetwatch.errors import UsageError
from cabinetwatch.intake.excerpt import excerpt
from cabinetwatch.times import from_instant, to_rfc3339

_LONGEST_LOOK = 4096
# ISO 8601 as strftime's %z has it, which RFC 3339 has with a colon; some put a Z before it.
_CLIENT_ZONE = re.compile(r"Z?([+-][0-9]{2})([0-9]{2})$")


class Recorded(NamedTuple):
    """One recorded message; `utc_ms` is its arrival."""

    utc_ms: int
    topic: str
    payload: bytes
    retain: bool = False


def to_line(recorded: Recorded) -> str:
    """Write a message as a line of a recording, without its end.

    Bytes that are no UTF-8 become lone surrogates, as Python's surrogateescape has it, so that
    every payload comes back as it was.
    """
    fields: dict[str, Any] = {
        "time": to_rfc3339(recorded.utc_ms),
        "topic": recorded.topic,
        "payload": recorded.payload.decode("utf-8", "surrogateescape"),
    }
    if recorded.retain:
        fields["retain"] = True
    return json.dumps(fields)


def from_line(line: str) -> Recorded:
    """Read a line of a recording.

    Raises:
        ValueError: it is none; the text says why.
    """
    try:
        fields = json.loads(line)
    except RecursionError:
        raise ValueError("is JSON nested too deeply") from None
    except ValueError:
        raise ValueError("is not JSON") from None
    if not isinstance(fields, dict):
        raise ValueError("is no JSON object")  # noqa: TRY004 - the file is wrong, not the caller
    if "time" not in fields and isinstance(fields.get("tst"), str):
        fields["time"] = _CLIENT_ZONE.sub(r"\1:\2", fields["tst"])
        if fields.get("payload", "") is None:
            fields["payload"] = ""
    missing = [name for name in ("time", "topic", "payload") if name not in fields]
    if missing:
        raise ValueError(f"lacks {' and '.join(missing)}")
    moment, topic = fields["time"], fields["topic"]
    if isinstance(moment, bool) or not isinstance(moment, str | int | float):
        raise ValueError("has a time that is no text and no number")  # noqa: TRY004 - as above
    if not isinstance(topic, str) or not topic:
        raise ValueError("has a topic that is no text")
    return Recorded(
        from_instant(moment), topic, _payload(fields["payload"]), fields.get("retain") in (True, 1)
    )


def read(path: Path, on_problem: Callable[[str], None]) -> Iterator[Recorded]:
    """Read a recording in the order of its lines.

    A line that can't be read is left out and told to `on_problem` in a sentence: the last one of a
    recording that was cut off by a power failure must not cost the rest.

    Raises:
        UsageError: the file can't be opened.
    """
    try:
        lines = path.open(encoding="utf-8", errors="surrogateescape")
    except OSError as error:
        raise UsageError(
            f"{path}: can't read this recording: {error.strerror}; name one that `record` wrote"
        ) from error
    with lines:
        for number, line in enumerate(lines, 1):
            if not line.strip():
                continue
            try:
                yield from_line(line)
            except (ValueError, OverflowError) as error:
                on_problem(f"{path}, line {number} {excerpt(str(error), 200)}; it is left out")


class Recorder:
    """Appends to a recording, which others can't read; a context manager.

    Raises:
        UsageError: the file can't be written, or holds something else than a recording.
    """

    def __init__(self, path: Path) -> None:
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o600)
        except OSError as error:
            raise UsageError(
                f"{path}: can't write a recording there: {error.strerror}; name a file"
                " in a folder that is there and that this user may write to"
            ) from error
        if not _begins_as_recording(descriptor):
            os.close(descriptor)
            raise UsageError(f"{path}: this file is no recording; name another, or a new one")
        cut_off = _ends_in_mid_line(descriptor)
        self._file = os.fdopen(descriptor, "a", encoding="ascii")
        if cut_off:
            self._file.write("\n")
        self.count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def write(self, recorded: Recorded) -> None:
        """Append a message; it is on its way to the disk after the next `flush`."""
        self._file.write(to_line(recorded) + "\n")
        self.count += 1

    def flush(self) -> None:
        """Hand what was written to the system."""
        self._file.flush()

    def close(self) -> None:
        """Bring everything to the disk and close the file."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()


def _payload(value: object) -> bytes:
    if not isinstance(value, str):
        # A payload written as the JSON it was, not as text.
        return json.dumps(value).encode()
    try:
        return value.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        raise ValueError("has a payload that stands for no bytes") from None


def _begins_as_recording(descriptor: int) -> bool:
    """Whether a file is empty or begins like a recording: a slip of the pen must not spoil another.

    A first line that was cut off by a power failure, or is longer, counts by its beginning.
    """
    start = os.pread(descriptor, _LONGEST_LOOK, 0) if _is_regular(descriptor) else b""
    return not start.strip() or start.lstrip().startswith(b"{")


def _is_regular(descriptor: int) -> bool:
    return stat.S_ISREG(os.fstat(descriptor).st_mode)


def _ends_in_mid_line(descriptor: int) -> bool:
    size = os.fstat(descriptor).st_size
    return size > 0 and os.pread(descriptor, 1, size - 1) != b"\n"
