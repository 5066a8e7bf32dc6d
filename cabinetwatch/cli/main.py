"""The program `cabinetwatch`: finds the command asked for, and turns errors into sentences."""

import argparse
import difflib
import errno
import gc
import logging
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from cabinetwatch import __version__
from cabinetwatch.cli.commands import COMMANDS, Parser, parser_of
from cabinetwatch.cli.terminal import function_of, topics_of
from cabinetwatch.text import CabinetwatchError, ConfigError, UsageError, printable

_WRONG_USE = 2
_INTERRUPTED = 130
# 128 and the number of SIGPIPE, as the shell reports a program that this signal ended.
_BROKEN_PIPE = 141
_NEGATIVE = re.compile(r"-\d")
_NUMBER = re.compile(r"-\d+|-\d*\.\d+")
"""What argparse takes for a value by itself."""
_REPORTS = {"matplotlib", "numpy", "scipy", "PIL"}
"""The libraries of the extra `reports`, which an installation may lack."""
_TABLE = re.compile(r": \[((?:notify\.)?[a-z]+)")
"""A table that a mistake in the configuration is in, as its sentence begins."""
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO}


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
    status = main(sys.argv[1:])
    # Python would look through all that was imported once more before it ends: a sixth of its time.
    gc.freeze()
    sys.exit(status)


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
    except ModuleNotFoundError as error:
        if error.name not in _REPORTS:
            raise
        print(
            f"cabinetwatch {arguments[0]}: this needs {error.name}, which is not installed here;"
            " install what deploy/requirements-reports.txt lists (deploy/install.sh does, without"
            " --small)",
            file=sys.stderr,
        )
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
    """Say what becomes of a damaged store, or what to do with it; or where the keys are told of."""
    if isinstance(error, ConfigError):
        topics = topics_of(dict.fromkeys(_TABLE.findall(str(error))))
        return [f"`cabinetwatch manual {topic}` tells more." for topic in topics]
    # Only who opens the store can find it damaged, and has imported this.
    place = sys.modules.get("cabinetwatch.store.place")
    if place is None or not isinstance(error, place.DamagedStoreError) or error.path is None:
        return []
    if function_of("store.database:find_watch")(error.path) is not None:
        return [
            "The running watch is notified; it checks the store and sets it aside if necessary."
        ]
    remedy = (
        "`cabinetwatch run` sets it aside and carries over what can be read of it; "
        "`cabinetwatch restore FILE` puts a backup in its place; `cabinetwatch manual backup` says"
        " more."
    )
    return [remedy]


def _write_no_more() -> None:
    """Let what is still to be written go nowhere, or Python would complain at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run(arguments: Sequence[str]) -> int:
    name: str | None = _top_parser().parse_args(arguments[:1]).command
    if name is None:
        # A person wants to see what there is; a script that left its command out must not go on,
        # nor take this for an answer.
        _top_parser().print_help(sys.stderr)
        return _WRONG_USE
    if name not in COMMANDS:
        nearest = difflib.get_close_matches(name, COMMANDS, 1, cutoff=0.0)[0]
        raise UsageError(f"cabinetwatch: there is no command {name}; the nearest is {nearest}")
    args = parser_of(name).parse_args(_with_their_values(arguments[1:]))
    since, until = getattr(args, "from_utc_ms", None), getattr(args, "to_utc_ms", None)
    if since is not None and until is not None and since >= until:
        raise UsageError("--from is not before --to; give the earlier time first")
    if args.command.config == "loaded":
        args.config_file = function_of("config:find_config_file")(args.config_file)
        args.config = function_of("watch.conditions:load_config")(args.config_file)
        for key, read in args.known.items():
            text = getattr(args, key)
            setattr(args, key, None if text is None else read(text, args.config))
    status: int = function_of(args.command.run)(args)
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
        description="Watches how warm the gear in a cabinet at home runs, and warns in time.",
        epilog=f"commands:\n{lines}\n\ncabinetwatch COMMAND --help says more about each, and"
        " cabinetwatch manual about all.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="cabinetwatch [-h] [--version] COMMAND ...",
    )
    parser.add_argument("--version", action="version", version=f"cabinetwatch {__version__}")
    parser.add_argument("command", nargs="?", metavar="COMMAND", help="one of those below")
    return parser
