"""Commands that come over MQTT: well formed, small, and with their claims kept as claims."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from cabinetwatch.errors import UsageError
from cabinetwatch.times import parse_duration

MOST_BYTES = 1024
LONGEST_SHELVING_S = 30 * 86_400.0
LONGEST_SERVICE_S = 3650 * 86_400.0

_Text = Annotated[str, Field(max_length=200)]


class _Ack(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    command: Literal["ack"]
    id: _Text
    by: _Text = ""


class _Shelve(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, populate_by_name=True)
    command: Literal["shelve"]
    id: _Text
    for_: Annotated[str, Field(alias="for", max_length=20)]
    reason: _Text
    by: _Text = ""


_COMMAND: TypeAdapter[_Ack | _Shelve] = TypeAdapter(
    Annotated[_Ack | _Shelve, Field(discriminator="command")]
)


def read_command(payload: bytes) -> Mapping[str, Any]:
    """Read a command from the payload of a message.

    Raises:
        UsageError: too large, no JSON, or not one of the commands.
    """
    if len(payload) > MOST_BYTES:
        raise UsageError(f"it has {len(payload)} bytes, {MOST_BYTES} is the most")
    try:
        command = _COMMAND.validate_json(payload)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"{place or 'payload'}: {first['msg']}") from None
    if isinstance(command, _Ack):
        return command.model_dump()
    return {
        "command": "shelve",
        "id": command.id,
        "for_s": shelving_s(command.for_),
        "reason": words(command.reason, "reason"),
        "by": command.by,
    }


def words(text: str, name: str) -> str:
    """Read what somebody must say.

    Args:
        text: what was said.
        name: what a sentence about its absence calls it.

    Raises:
        UsageError: there is no letter to be seen in it.
    """
    if not any(letter.isalnum() for letter in text):
        raise UsageError(f"{name} has no words in it; write a few, for whoever reads them later")
    return text.strip()


def shelving_s(text: str) -> float:
    """Read for how long to shelve.

    Raises:
        UsageError: no duration, or longer than thirty days.
    """
    for_s = service_s(text)
    if for_s > LONGEST_SHELVING_S:
        raise UsageError(f"{text!r} is too long; an alarm can be shelved for at most 30d")
    return for_s


def service_s(text: str) -> float:
    """Read for how long something is out of service.

    Raises:
        UsageError: no duration, or longer than ten years.
    """
    try:
        for_s = parse_duration(text)
    except ValueError as error:
        raise UsageError(str(error)) from None
    if for_s > LONGEST_SERVICE_S:
        raise UsageError(f"{text!r} is too long; give at most 3650d, or no time at all")
    return for_s
