"""The log of `run`."""

import logging

from cabinetwatch.cli.service_log import LineFormatter


def record(message: str, *arguments: str) -> logging.LogRecord:
    return logging.LogRecord("watch", logging.INFO, "", 0, message, arguments, None)


def test_a_message_of_the_log_is_one_line_whatever_somebody_wrote() -> None:
    formatter = LineFormatter("%(levelname)s %(name)s: %(message)s")
    line = formatter.format(record("%s", "warm\r\nERROR\x1b[2J\u2028\u202e"))
    assert line == "INFO watch: warm\\r\\nERROR\\x1b[2J\\u2028\\u202e"
