"""Readings from files: recordings, CSV, and the JSON Lines of an export.

A line of a recording is `{"time": RFC 3339 or seconds since 1970, "topic": "...", "payload":
"..."}`, with `"retain": true` on the broker's copy of a last known value. Other members are left
alone. Read, but never written, is also what a broker's own command line client prints as JSON:
`tst` for the time, and `retain` as a number.

A line that can't be read costs only itself: the last one of a recording that was cut off by a power
failure must not cost the rest.
"""

import csv
import json
import math
import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, Self, TextIO

from cabinetwatch.config.checking import among, nearest
from cabinetwatch.config.model import Sensor
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.link import excerpt
from cabinetwatch.text import UsageError, counted, from_instant, to_rfc3339

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
    fields = _object(line)
    if "time" not in fields and isinstance(fields.get("tst"), str):
        fields["time"] = _CLIENT_ZONE.sub(r"\1:\2", fields["tst"])
        if fields.get("payload", "") is None:
            fields["payload"] = ""
    time, topic, payload = _members(fields, "time", "topic", "payload")
    utc_ms = _instant(time)
    if not isinstance(topic, str) or not topic:
        raise ValueError("has a topic that is no text")
    if not isinstance(payload, str):
        # A payload written as the JSON it was, not as text.
        payload = json.dumps(payload)
    try:
        content = payload.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        raise ValueError("has a payload that stands for no bytes") from None
    return Recorded(utc_ms, topic, content, fields.get("retain") in (True, 1))


def _object(line: str) -> dict[str, Any]:
    try:
        fields = json.loads(line)
    except RecursionError:
        raise ValueError("is JSON nested too deeply") from None
    except ValueError:
        raise ValueError("is not JSON") from None
    if not isinstance(fields, dict):
        raise ValueError("is no JSON object")  # noqa: TRY004 - the file is wrong, not the caller
    return fields


def _members(fields: Mapping[str, Any], *names: str) -> list[Any]:
    missing = [name for name in names if name not in fields]
    if missing:
        raise ValueError(f"lacks {' and '.join(missing)}")
    return [fields[name] for name in names]


def _instant(moment: object) -> int:
    if isinstance(moment, bool) or not isinstance(moment, str | int | float):
        raise ValueError("has a time that is no text and no number")  # noqa: TRY004 - as above
    return from_instant(moment)


def read_recording(path: Path, on_problem: Callable[[str], None]) -> Iterator[Recorded]:
    """Read a recording in the order of its lines; what can't be read is reported in a sentence.

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

    def __exit__(self, *_: object) -> None:
        """Bring everything to the disk and close the file."""
        self.flush()
        os.fsync(self._file.fileno())
        self._file.close()

    def write(self, recorded: Recorded) -> None:
        """Append a message; it is on its way to the disk after the next `flush`."""
        self._file.write(to_line(recorded) + "\n")
        self.count += 1

    def flush(self) -> None:
        """Hand what was written to the system."""
        self._file.flush()


def _begins_as_recording(descriptor: int) -> bool:
    """Whether a file is empty or begins like a recording: a slip of the pen must not spoil another.

    A first line that was cut off by a power failure, or is longer, counts by its beginning.
    """
    regular = stat.S_ISREG(os.fstat(descriptor).st_mode)
    start = os.pread(descriptor, _LONGEST_LOOK, 0) if regular else b""
    return not start.strip() or start.lstrip().startswith(b"{")


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
    """Give the readings of a file of any of the three kinds, distinguished by its first line.

    Only configured sensors are read; `on_problem` is told of each line that is left out.

    Raises:
        UsageError: the file can't be opened, or is of none of the kinds.
    """
    with _opened(path) as file:
        number, first = next(_numbered(file), (0, ""))
    if not first:
        raise UsageError(f"{path}: there is nothing in it")
    if not first.lstrip().startswith("{"):
        return _read(path, _csv_parser(path, number, first, sensors), on_problem, skipped=1)
    try:
        fields = _object(first)
    except ValueError:
        fields = {}
    exported = "topic" not in fields and "sensor" in fields
    parse = _export_parser(sensors) if exported else _recording_parser(sensors)
    return _read(path, parse, on_problem)


_Parser = Callable[[int, str, Problem], Iterator[FileReading]]


def _read(
    path: Path, parse: _Parser, on_problem: Problem, skipped: int = 0
) -> Iterator[FileReading]:
    with _opened(path) as file:
        for number, line in islice(_numbered(file), skipped, None):
            if len(line) > _LONGEST_LINE:
                on_problem(number, "is too long")
                continue
            try:
                yield from parse(number, line, on_problem)
            except (ValueError, OverflowError, csv.Error) as error:
                on_problem(number, excerpt(str(error), 200))


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


def _csv_parser(path: Path, number: int, header: str, sensors: Mapping[str, Sensor]) -> _Parser:
    """Give what reads lines under a header that names time, sensor and value, in any order."""
    names = [name.strip().lower() for name in _cells(header)]
    if not set(CSV_HEADER) <= set(names):
        raise UsageError(
            f"{path}, line {number}: no header with {', '.join(CSV_HEADER)} and no JSON object;"
            " give a CSV file, the JSON Lines of an export, or a recording"
        )
    places = [names.index(name) for name in CSV_HEADER]

    def parse(number: int, line: str, _: Problem) -> Iterator[FileReading]:
        cells = _cells(line)
        if len(cells) != len(names):
            raise ValueError(f"has {counted(len(cells), 'cell')}, not {len(names)}")
        time, sensor, value = (cells[place].strip() for place in places)
        try:
            moment: str | float = float(time)  # seconds since 1970
        except ValueError:
            moment = time
        utc_ms = from_instant(moment)
        yield FileReading(number, utc_ms, _known(sensor, sensors), _number(value), corrected=True)

    return parse


def _cells(line: str) -> list[str]:
    return next(csv.reader([line.rstrip("\r\n")]), [])


def _export_parser(sensors: Mapping[str, Sensor]) -> _Parser:
    def parse(number: int, line: str, _: Problem) -> Iterator[FileReading]:
        fields = _object(line)
        time, sensor, value = _members(fields, *CSV_HEADER)
        utc_ms, known = _instant(time), _known(str(sensor), sensors)
        yield FileReading(number, utc_ms, known, _number(value), corrected=True)

    return parse


def _recording_parser(sensors: Mapping[str, Sensor]) -> _Parser:
    decoder = Decoder(sensors)

    def parse(number: int, line: str, on_problem: Problem) -> Iterator[FileReading]:
        message = from_line(line)
        if message.retain:
            raise ValueError("is the broker's copy of an older message, which says not when it was")
        decoded = decoder.decode(message.topic, message.payload, message.utc_ms)
        for problem in decoded.problems:
            on_problem(number, f"can't be decoded in full: {problem}")
        for sensor, value, own_utc_ms in decoded.values:
            at_arrival = own_utc_ms is None
            utc_ms = message.utc_ms if own_utc_ms is None else own_utc_ms
            yield FileReading(number, utc_ms, sensor, value, corrected=False, at_arrival=at_arrival)

    return parse


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
