"""Finding, reading and checking the configuration file."""

import codecs
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from cabinetwatch.config.checking import TRUTHS, Reader, assemble, places_of
from cabinetwatch.config.model import ConditionSpec, Config
from cabinetwatch.config.services import Email, Person
from cabinetwatch.config.values import read_plain_file
from cabinetwatch.text import ConfigError, printable

SYSTEM_FILE = Path("/etc/cabinetwatch/config.toml")
_ENVIRONMENT = "CABINETWATCH_CONFIG"
_LARGEST = 4 * 1024 * 1024
"""Bytes; hundreds of devices take less than a tenth."""

# Outside of a list, where a comma stands between two items.
_DECIMAL_COMMA = re.compile(r"^[^#=\[\"']*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$")
_LEADING_ZERO = re.compile(r"=\s*[+-]?0\d")


def find_config_file(explicit: Path | None = None) -> Path:
    """Give the file to read: the one asked for, or the first of the usual ones that exists.

    Raises:
        ConfigError: none was asked for and none exists.
    """
    if explicit is not None:
        return explicit
    named = os.environ.get(_ENVIRONMENT)
    if named:
        return Path(named)
    usual = (Path("config.toml"), *usual_files())
    for path in usual:
        if _may_exist(path):
            return path
    *others, last = (str(path.absolute()) for path in usual)
    sentence = (
        f"no configuration file: there is no {', '.join(others)} or {last}; name one with"
        f" --config FILE or in ${_ENVIRONMENT}"
    )
    raise ConfigError([sentence])


def usual_files() -> tuple[Path, ...]:
    """Give the files that are looked for whatever the current folder is: the user's, the system's.

    The first as the XDG Base Directory Specification has it, which passes over a relative path.
    """
    base = Path(os.environ.get("XDG_CONFIG_HOME", ""))
    if not base.is_absolute():
        try:
            base = Path.home() / ".config"
        except RuntimeError:
            return (SYSTEM_FILE,)
    return (base / "cabinetwatch" / SYSTEM_FILE.name, SYSTEM_FILE)


def _may_exist(path: Path) -> bool:
    """Whether a file is there; what we may not look at counts, so that reading it says so."""
    try:
        return path.exists()
    except OSError:
        return True


def load(path: Path, conditions: Sequence[ConditionSpec]) -> Config:
    """Read and check a configuration file; `conditions` can be set under `alarms`.

    Raises:
        ConfigError: with one sentence for each fault in it.
    """
    return parse(_read(path), path, conditions).read_from(path.absolute())


def require_mail(config: Config, path: Path) -> Email:
    """Give the table that says whom to mail.

    Raises:
        ConfigError: it is not there.
    """
    if config.notify.email is None:
        sentence = "is missing; add that table, it says whom to mail and how"
        raise ConfigError([printable(f"{path}: [notify.email] {sentence}")])
    return config.notify.email


def load_for_mail(path: Path, conditions: Sequence[ConditionSpec]) -> Config:
    """Read no more of a file than a mail takes: [notify.email], the people and [site] if right.

    So a file whose fault lies elsewhere, with which the watch can't start, still says whom to tell.

    Raises:
        ConfigError: the file can't be read, is no TOML, or that table is faulty or missing.
    """
    tables = _parse_toml(_read(path), path)
    notify = tables.get("notify")
    given = notify if isinstance(notify, dict) else {}
    email, people = given.get("email"), given.get("people")
    trial = Reader("", None)
    right = {
        name: table
        for name, table in (people.items() if isinstance(people, dict) else ())
        if trial.table(Person, table, name) is not None
    }
    wanted = {} if email is None else {"notify": {"email": email, "people": right}}

    def assembled(more: dict[str, Any]) -> Config:
        return assemble(wanted | more, Reader(str(path), path.absolute().parent), conditions)

    try:
        config = assembled({"site": tables.get("site")})
    except ConfigError:
        config = assembled({})
    require_mail(config, path)
    return config.read_from(path.absolute())


def parse(text: str, path: Path, conditions: Sequence[ConditionSpec]) -> Config:
    """Check the text of a configuration file; `path` says where relative paths start.

    Raises:
        ConfigError: with one sentence for each fault in it.
    """
    reader = Reader(str(path), path.absolute().parent, places_of(conditions))
    return assemble(_parse_toml(text, path), reader, conditions)


def from_json(
    values: Mapping[str, Any], conditions: Sequence[ConditionSpec], source: str
) -> Config:
    """Rebuild a configuration from what `Config.as_json` gave; files it names need not exist.

    `source` is what a sentence about a fault calls it.

    Raises:
        ConfigError: this version doesn't understand it.
    """
    return assemble(values, Reader(source, None), conditions)


def _read(path: Path) -> str:
    try:
        data = read_plain_file(path, _LARGEST, trusted_by_root=True)
    except ValueError as error:
        remedy = "" if _may_exist(path) else "; name the file that is meant with --config"
        raise ConfigError([f"{path}: {error}{remedy}"]) from None
    if data.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise ConfigError(
            [f"{path}: begins with a byte order mark (BOM); save the file as UTF-8 without a BOM"]
        )
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            [f"{path}: line {line} is no UTF-8 text; save the file as UTF-8"]
        ) from None


def _parse_toml(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, line, column = _locate(str(error), text)
        place = f"{path}: line {line}, column {column}"
        comma = _DECIMAL_COMMA.search(text.split("\n")[line - 1])
        if comma is not None:
            right = f"{comma[1]}.{comma[2]}"
            sentence = f"{place}: a number has a decimal point and no comma; write {right}"
        else:
            remedy = _toml_remedy(what, text.split("\n")[line - 1], column)
            sentence = f"{place} is no valid TOML ({printable(what)}); {remedy}"
        raise ConfigError([sentence]) from None
    except RecursionError:
        raise ConfigError([f"{path}: holds lists or tables nested too deeply to be read"]) from None
    except ValueError:
        # The one other ValueError of the library.
        raise ConfigError([f"{path}: holds a number with too many digits"]) from None


_TOML_REMEDIES = (
    (
        ("twice", "Cannot overwrite", "Cannot mutate"),
        "it stands there a second time: leave one out, or give a second sensor an ID of its own",
    ),
    (("Expected '='",), 'write a key, =, and its value, such as topic = "cabinet/nas/air"'),
    (("Expected ']'",), "end the name of the table with ], such as [sensors.nas-air]"),
    (
        ("Invalid value", "Illegal character", "string"),
        'put a text between two straight quotes, such as "cabinet/nas/air"',
    ),
)
"""By what tomllib says."""


def _toml_remedy(what: str, line: str, column: int) -> str:
    """Say what would be right, from what tomllib says and the line that it stopped in."""
    word = line[column - 1 :].partition("#")[0].strip().lower()
    if word in TRUTHS:
        return f"write {TRUTHS[word]}"
    if _LEADING_ZERO.search(line):
        return "write a number without a zero before it"
    for signs, remedy in _TOML_REMEDIES:
        if any(sign in what for sign in signs):
            return remedy
    return "compare it with config.example.toml"


def _locate(message: str, text: str) -> tuple[str, int, int]:
    """Split tomllib's message into what is wrong, the line and the column."""
    match = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if match is not None:
        return match[1], int(match[2]), int(match[3])
    lines = text.rstrip("\n").split("\n")
    return message.removesuffix(" (at end of document)"), len(lines), len(lines[-1]) + 1
