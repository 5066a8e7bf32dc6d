"""Numbers as payloads write them: finite decimal numbers and nothing else."""

import math
import re

# Stricter than float(): no 1_000, no nan, no infinity, no digits of other scripts.
_NUMERAL = re.compile(r"[ \t\r\n]*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t\r\n]*")
_NUMERAL_BYTES = re.compile(_NUMERAL.pattern.encode())
_LONGEST = 400


class NotANumber(ValueError):  # noqa: N818 - it says what the value is
    """What should be a number is none; the text says why."""


def from_payload(payload: bytes) -> float:
    """Read a payload that is wholly a number.

    Raises:
        NotANumber: it is not, or not a finite one.
    """
    if len(payload) > _LONGEST or _NUMERAL_BYTES.fullmatch(payload) is None:
        raise NotANumber("is not a number")
    return _finite(float(payload))


def from_json(value: object) -> float:
    """Take a JSON value as a number: a number, or a string that is wholly a number.

    Raises:
        NotANumber: it is something else (true and false are no numbers), or not finite.
    """
    if isinstance(value, float):
        return _finite(value)
    if isinstance(value, bool):
        raise NotANumber("is true or false, not a number")
    if isinstance(value, int):
        try:
            return float(value)
        except OverflowError:
            raise NotANumber("is a number too large to be one") from None
    if isinstance(value, str):
        if len(value) > _LONGEST or _NUMERAL.fullmatch(value) is None:
            raise NotANumber("is a text that is not wholly a number")
        return _finite(float(value))
    raise NotANumber("is null" if value is None else "is an object or a list, not a number")


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise NotANumber("is not a finite number")
    return value
