"""Strict JSON (RFC 8259): what Python reads more kindly than the standard is refused."""

import json
from typing import Any, NoReturn

# Our choice: the longest pack that is read (`senml.MOST_RECORDS`), with 65 bytes a record.
LONGEST_BYTES = 131_072


class NotJson(ValueError):  # noqa: N818 - it says what the payload is
    """The payload can't be read as JSON; the text says why."""


def parse(payload: bytes) -> Any:
    """Read one JSON document.

    Raises:
        NotJson: too long, invalid UTF-8, a syntax error, NaN or Infinity, a key that comes twice,
            or nested too deeply.
    """
    if len(payload) > LONGEST_BYTES:
        raise NotJson(f"is longer than {LONGEST_BYTES} bytes")
    try:
        return _DECODER.decode(payload.decode())
    except NotJson:
        raise
    except UnicodeDecodeError:
        raise NotJson("is not UTF-8") from None
    except RecursionError:
        raise NotJson("is JSON nested too deeply") from None
    except json.JSONDecodeError as error:
        raise NotJson(f"is not JSON: {error.msg} at character {error.pos}") from None
    except ValueError:
        # The one other ValueError: an integer of thousands of digits.
        raise NotJson("holds a number with too many digits") from None


def _refuse_constant(name: str) -> NoReturn:
    raise NotJson(f"holds {name}, which JSON doesn't know")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise NotJson("is JSON with a key that comes twice")
    return members


_DECODER = json.JSONDecoder(parse_constant=_refuse_constant, object_pairs_hook=_unique)
