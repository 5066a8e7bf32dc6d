"""Readings from files: recordings, CSV, and the JSON Lines of an export.

`{"time": RFC 3339 or seconds since 1970, "topic": "...", "payload": "..."}`, and `"retain": true`
on the broker's copy of a last known value. Other members are left alone. Read, but never written,
is also what a broker's own command line client prints as JSON: `tst` for the time, and `retain` as
a number.
"""

import csv
import json
import math
import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TextIO

from cabinetwatch.clock import from_instant, to_rfc3339
from cabinetwatch.config.checking import among, nearest
from cabinetwatch.config.equipment import Sensor
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.link import excerpt
from cabinetwatch.text import UsageError, counted

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


def read_recording(path: Path, on_problem: Callable[[str], None]) -> Iterator[Recorded]:
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


CSV_HEADER = ("time", "sensor", "value")
_LONGEST_LINE = 1_000_000

Problem = Callable[[int, str], None]
"""Takes the number of a line and what is wrong with it."""


class FileReading(NamedTuple):
    """A reading of a file, from line `number`.

    `value` is in the quantity's SI unit; `corrected` says that the sensor's offset is applied.
    `at_arrival`: the instant is when it reached whoever recorded it, which is not quite when it
    reached a watch beside.
    """

    number: int
    utc_ms: int
    sensor: str
    value: float
    corrected: bool
    at_arrival: bool = False


def read_table(
    path: Path, sensors: Mapping[str, Sensor], on_problem: Problem
) -> Iterator[FileReading]:
    """Give the readings of a file of any of the three kinds, told apart by its first line.

    Args:
        path: the file.
        sensors: those that are configured; others are left out.
        on_problem: told of each line that is left out.

    Raises:
        UsageError: the file can't be opened, or is of none of the kinds.
    """
    with _opened(path) as file:
        first = next(_numbered(file), None)
    if first is None:
        raise UsageError(f"{path}: there is nothing in it")
    return _read(path, _parser(path, first, sensors), on_problem)


def _read(path: Path, parse: "_Parser", on_problem: Problem) -> Iterator[FileReading]:
    with _opened(path) as file:
        lines = _numbered(file)
        if isinstance(parse, _CsvParser):
            next(lines)
        for numbered in lines:
            yield from _parsed(parse, numbered, on_problem)


def _opened(path: Path) -> TextIO:
    try:
        return path.open(encoding="utf-8-sig", errors="surrogateescape", newline="")
    except OSError as error:
        raise UsageError(
            f"{path}: can't be read: {error.strerror}; name a file that is there, and that this"
            " user may read"
        ) from error


def _numbered(file: TextIO) -> Iterator[tuple[int, str]]:
    return ((number, line) for number, line in enumerate(file, 1) if line.strip())


def _parser(path: Path, first: tuple[int, str], sensors: Mapping[str, Sensor]) -> "_Parser":
    number, line = first
    if not line.lstrip().startswith("{"):
        return _CsvParser(path, number, line, sensors)
    fields = _json(line)
    if isinstance(fields, dict) and "topic" not in fields and "sensor" in fields:
        return _ExportParser(sensors)
    return _RecordingParser(sensors)


def _parsed(
    parse: "_Parser", numbered: tuple[int, str], on_problem: Problem
) -> Iterator[FileReading]:
    number, line = numbered
    if len(line) > _LONGEST_LINE:
        on_problem(number, "is too long")
        return
    try:
        yield from parse(number, line, on_problem)
    except (ValueError, OverflowError, csv.Error) as error:
        on_problem(number, excerpt(str(error), 200))


class _CsvParser:
    """Lines of CSV under a header that names time, sensor and value, in any order."""

    def __init__(self, path: Path, number: int, header: str, sensors: Mapping[str, Sensor]) -> None:
        names = [name.strip().lower() for name in _cells(header)]
        missing = [name for name in CSV_HEADER if name not in names]
        if missing:
            raise UsageError(
                f"{path}, line {number}: no header with {', '.join(CSV_HEADER)} and no JSON object;"
                " give a CSV file, the JSON Lines of an export, or a recording"
            )
        self._places = [names.index(name) for name in CSV_HEADER]
        self._width = len(names)
        self._sensors = sensors

    def __call__(self, number: int, line: str, on_problem: Problem) -> Iterator[FileReading]:
        del on_problem
        cells = _cells(line)
        if len(cells) != self._width:
            raise ValueError(f"has {counted(len(cells), 'cell')}, not {self._width}")
        time, sensor, value = (cells[place].strip() for place in self._places)
        yield FileReading(
            number, _instant(time), _known(sensor, self._sensors), _number(value), corrected=True
        )


class _ExportParser:
    """Objects with time, sensor and value."""

    def __init__(self, sensors: Mapping[str, Sensor]) -> None:
        self._sensors = sensors

    def __call__(self, number: int, line: str, on_problem: Problem) -> Iterator[FileReading]:
        del on_problem
        fields = _json(line)
        if not isinstance(fields, dict):
            raise ValueError("is no JSON object")  # noqa: TRY004 - the file is wrong
        if missing := [name for name in CSV_HEADER if name not in fields]:
            raise ValueError(f"lacks {' and '.join(missing)}")
        time, sensor = fields["time"], fields["sensor"]
        if isinstance(time, bool) or not isinstance(time, str | int | float):
            raise ValueError("has a time that is no text and no number")  # noqa: TRY004 - as above
        yield FileReading(
            number,
            from_instant(time),
            _known(str(sensor), self._sensors),
            _number(fields["value"]),
            corrected=True,
        )


class _RecordingParser:
    """Recorded messages, decoded for the configured sensors."""

    def __init__(self, sensors: Mapping[str, Sensor]) -> None:
        self._decoder = Decoder(sensors)

    def __call__(self, number: int, line: str, on_problem: Problem) -> Iterator[FileReading]:
        message = from_line(line)
        if message.retain:
            raise ValueError("is the broker's copy of an older message, which says not when it was")
        decoded = self._decoder.decode(message.topic, message.payload, message.utc_ms)
        for problem in decoded.problems:
            on_problem(number, f"can't be decoded in full: {problem}")
        for sensor, value, own_utc_ms in decoded.values:
            at_arrival = own_utc_ms is None
            utc_ms = message.utc_ms if own_utc_ms is None else own_utc_ms
            yield FileReading(number, utc_ms, sensor, value, corrected=False, at_arrival=at_arrival)


_Parser = _CsvParser | _ExportParser | _RecordingParser


def _cells(line: str) -> list[str]:
    return next(csv.reader([line.rstrip("\r\n")]), [])


def _json(line: str) -> Any:
    try:
        return json.loads(line)
    except RecursionError:
        raise ValueError("is JSON nested too deeply") from None
    except ValueError:
        raise ValueError("is not JSON") from None


def _instant(text: str) -> int:
    """Read RFC 3339, or seconds since 1970."""
    try:
        seconds = float(text)
    except ValueError:
        return from_instant(text)
    return from_instant(seconds)


def _known(sensor: str, sensors: Mapping[str, Sensor]) -> str:
    if sensor in sensors:
        return sensor
    near = nearest(sensor, sensors)
    heirs = [name for name, each in sensors.items() if each.renamed_from == sensor]
    if heirs:
        meant = f"[sensors.{heirs[0]}] was renamed from it: write {heirs[0]}"
    elif near is not None:
        meant = f"the nearest one it has is {near}"
    else:
        meant = among(sensors) if sensors else "it has none; add its table first"
    raise ValueError(f"names the sensor {sensor!r}, which the configuration does not have; {meant}")


def _number(value: object) -> float:
    try:
        number = float(value) if isinstance(value, str | int | float) else math.nan
    except ValueError:
        number = math.nan
    if isinstance(value, bool) or not math.isfinite(number):
        raise ValueError(f"has the value {value!r}, which is no finite number")
    return number
