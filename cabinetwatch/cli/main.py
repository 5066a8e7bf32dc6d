"""The command `cabinetwatch`: finds the command asked for, and turns errors into sentences."""

import argparse
import difflib
import errno
import importlib
import logging
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from cabinetwatch import __version__
from cabinetwatch.text import CabinetwatchError, UsageError, printable

_WRONG_USE = 2
_INTERRUPTED = 130
# 128 and the number of SIGPIPE, as the shell reports a program that this signal ended.
_BROKEN_PIPE = 141
_NEGATIVE = re.compile(r"-\d")
_NUMBER = re.compile(r"-\d+|-\d*\.\d+")
"""What argparse takes for a value by itself."""
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO}


class Command(NamedTuple):
    """A command: the module that has it, what it does in a line, and whether it takes --config."""

    module: str
    help: str
    takes_config: bool = True


COMMANDS: dict[str, Command] = {
    "demo": Command(
        "demo", "show the whole job in a minute and a half, on this machine alone", False
    ),
    "listen": Command("hear", "show what arrives from the broker, and draft the tables for it"),
    "record": Command("hear", "write what arrives from the broker to a recording"),
    "check": Command("check", "check the configuration, then try broker, mail and store"),
    "run": Command("services", "run the watch"),
    "status": Command("look", "show devices, their figures, and standing alarms"),
    "alarms": Command("look", "show standing alarms and their history"),
    "ack": Command("act", "acknowledge an alarm"),
    "shelve": Command("act", "silence an alarm for a time"),
    "unshelve": Command("act", "take an alarm off the shelf"),
    "service": Command("act", "take a device or sensor out of service, or back in"),
    "page": Command("reports", "write or show the page that says whether all is well"),
    "trial": Command("trial", "prove a change of cooling: before, change, after, verdict"),
    "note": Command("act", "log what somebody did to the cabinet"),
    "calc": Command(
        "calc", "the bench sums behind a change: fan, airflow, life, sound, dew point", False
    ),
    "summary": Command("reports", "show, write or mail the summary of a week"),
    "learn": Command("act", "learn a device's normal rise and response again, after a change"),
    "replay": Command("replay", "run the engine over a recording or over the store"),
    "export": Command("data", "write the readings to standard output"),
    "import": Command("data", "take readings from a file into the store"),
    "backup": Command("data", "copy the store while the watch goes on, and verify the copy"),
    "restore": Command("data", "put a backup in the place of the store"),
    "prune": Command("data", "let go of what is older than its keeping time, now"),
    "guard": Command(
        "services", "on a second computer: mail when the watch is gone, and when it is back"
    ),
    "failed": Command(
        "services", "mail that the service has failed, at most once an hour; for systemd"
    ),
    "clear": Command("services", "take the watch's retained topics and session off the broker"),
}
"""The module is imported only when a command of its is asked for. For each it has
`configure_NAME(parser)` and `run_NAME(arguments)`."""


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are one sentence."""

    def error(self, message: str) -> NoReturn:
        """Refuse the arguments."""
        raise UsageError(f"{self.prog}: {message}; {self.prog} --help shows what it takes")


def main(arguments: Sequence[str]) -> int:
    """Run a command and give its exit status; every error of the user's becomes a sentence."""
    # Commands that log say so themselves; for the others a library's log is no output of theirs.
    logging.getLogger("cabinetwatch").addHandler(logging.NullHandler())
    try:
        try:
            status = _run(arguments)
        finally:
            # Also when the help has been asked for, which ends by SystemExit.
            sys.stdout.flush()
    except CabinetwatchError as error:
        for sentence in [*str(error).splitlines(), *_remedy(error)]:
            print(printable(sentence), file=sys.stderr)
        return _WRONG_USE
    except KeyboardInterrupt:
        return _INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has seen enough.
        _write_no_more()
        return _BROKEN_PIPE
    except OSError as error:
        # What a command opens it answers for itself; what is left is its output.
        if error.filename is not None or error.errno not in _NO_ROOM:
            raise
        _write_no_more()
        print(f"the output can't be written: {error.strerror}", file=sys.stderr)
        return 1
    return status


def _remedy(error: CabinetwatchError) -> list[str]:
    """Say what becomes of a damaged store, or what to do with it."""
    from cabinetwatch.store.database import find_watch  # noqa: PLC0415
    from cabinetwatch.store.place import DamagedStoreError  # noqa: PLC0415

    if not isinstance(error, DamagedStoreError) or error.path is None:
        return []
    if find_watch(error.path) is not None:
        return ["The running watch was told; it checks the store and sets it aside if it must."]
    remedy = (
        "`cabinetwatch run` sets it aside and carries over what can be read of it; "
        "`cabinetwatch restore FILE` puts a backup in its place."
    )
    return [remedy]


def _write_no_more() -> None:
    """Let what is still to be written go nowhere, or Python would complain at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def entry() -> NoReturn:
    """Be the program `cabinetwatch`."""
    # A closed output is no reason to fall over, nor is a terminal that can't show a letter.
    if sys.stdout is None or sys.stderr is None:
        nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - to the end
        sys.stdout, sys.stderr = sys.stdout or nowhere, sys.stderr or nowhere
    for stream in (sys.stdout, sys.stderr):
        reconfigure: Any = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    sys.exit(main(sys.argv[1:]))


def _run(arguments: Sequence[str]) -> int:
    asked = _top_parser().parse_args(arguments[:1])
    name: str | None = asked.command
    if name is None:
        # A person wants to see what there is; a script that left its command out must not go on,
        # nor take this for an answer.
        _top_parser().print_help(sys.stderr)
        return _WRONG_USE
    if name not in COMMANDS:
        nearest = difflib.get_close_matches(name, COMMANDS, 1, cutoff=0.0)[0]
        raise UsageError(f"cabinetwatch: there is no command {name}; the nearest is {nearest}")
    module = importlib.import_module(f"cabinetwatch.cli.{COMMANDS[name].module}")
    parser = _command_parser(name)
    getattr(module, f"configure_{name}")(parser)
    parsed = parser.parse_args(_with_their_values(arguments[1:]))
    status: int = getattr(module, f"run_{name}")(parsed)
    return status


def _with_their_values(arguments: Sequence[str]) -> list[str]:
    """Join --for and -2h to --for=-2h: else -2h is taken for an option, and not for a wrong value.

    >>> _with_their_values(["ID", "--for", "-2h", "--add", "-3", "5"])
    ['ID', '--for=-2h', '--add', '-3', '5']
    """
    joined: list[str] = []
    for argument in arguments:
        before = joined[-1] if joined else ""
        is_value = before.startswith("--") and "=" not in before and before != "--"
        if is_value and _NEGATIVE.match(argument) and not _NUMBER.fullmatch(argument):
            joined[-1] = f"{before}={argument}"
        else:
            joined.append(argument)
    return joined


def _top_parser() -> Parser:
    lines = "\n".join(f"  {name:<10} {command.help}" for name, command in COMMANDS.items())
    parser = Parser(
        prog="cabinetwatch",
        description="Watches how warm the gear in a cabinet at home runs, and tells in time.",
        epilog=f"commands:\n{lines}\n\ncabinetwatch COMMAND --help tells more of each.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="cabinetwatch [-h] [--version] COMMAND ...",
    )
    parser.add_argument("--version", action="version", version=f"cabinetwatch {__version__}")
    parser.add_argument("command", nargs="?", metavar="COMMAND", help="one of those below")
    return parser


def _command_parser(name: str) -> Parser:
    command = COMMANDS[name]
    description = f"{command.help[0].upper()}{command.help[1:]}."
    # Abbreviated options would change their meaning when a new one comes.
    parser = Parser(prog=f"cabinetwatch {name}", description=description, allow_abbrev=False)
    if command.takes_config:
        parser.add_argument(
            "--config",
            metavar="FILE",
            type=Path,
            help="the configuration (default: $CABINETWATCH_CONFIG, then ./config.toml, then"
            " cabinetwatch/config.toml in $XDG_CONFIG_HOME or ~/.config, then"
            " /etc/cabinetwatch/config.toml); root takes only files that are root's",
        )
    return parser
