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
    """Let everything from `level` on be written to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(LineFormatter("%(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=level, handlers=[handler])
