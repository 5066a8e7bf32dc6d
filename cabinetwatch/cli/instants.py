"""Options that name an interval of time."""

import argparse

from cabinetwatch.errors import UsageError
from cabinetwatch.times import from_rfc3339


def instant(text: str) -> int:
    """Read an RFC 3339 time as an argument; UTC in ms."""
    try:
        return from_rfc3339(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def add_interval(parser: argparse.ArgumentParser, *, from_help: str, to_help: str) -> None:
    """Add --from and --to, which give `from_utc_ms` and `to_utc_ms`."""
    for name, text in (("from", from_help), ("to", to_help)):
        parser.add_argument(
            f"--{name}", dest=f"{name}_utc_ms", type=instant, metavar="TIME", help=text
        )


def check_interval(args: argparse.Namespace) -> None:
    """Refuse an interval that ends before it begins.

    Raises:
        UsageError: it does.
    """
    if None not in (args.from_utc_ms, args.to_utc_ms) and args.from_utc_ms >= args.to_utc_ms:
        raise UsageError("--from is not before --to; give the earlier time first")
