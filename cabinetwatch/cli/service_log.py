"""The log of a service: lines on standard error, which systemd keeps."""

import logging
import sys

from cabinetwatch.text import printable


class LineFormatter(logging.Formatter):
    """Keeps every message on its line: some hold what a broker, a server or a person wrote."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """Give the line, without a traceback after it."""
        return printable(super().formatMessage(record))


def log_to_standard_error(level: int) -> None:
    """Let everything from `level` on be written to standard error.

    On a terminal lines have local times; what systemd keeps gets its own.
    """
    handler = logging.StreamHandler(sys.stderr)
    when = "%(asctime)s " if sys.stderr.isatty() else ""
    form = f"{when}%(levelname)s %(name)s: %(message)s"
    handler.setFormatter(LineFormatter(form, datefmt="%Y-%m-%d %H:%M:%S"))
    logging.basicConfig(level=level, handlers=[handler])
