"""What every table of the configuration is: a strict, frozen model of its keys."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, model_validator
from pydantic_core import PydanticCustomError

CONTRADICTION = "contradiction"
"""The type of the pydantic error that stands for a `Contradiction`."""


class Contradiction(NamedTuple):
    """Two keys of one table that don't go together; `text` goes on after the name of `key`."""

    key: str
    text: str


class Table(BaseModel):
    """A table of the configuration.

    The description of a field says what would be right: it ends the sentence about a wrong value.
    """

    model_config = ConfigDict(
        strict=True,
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        validate_default=False,
        populate_by_name=True,
    )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Give what doesn't go together.

        Args:
            values: by attribute name, those of the keys that are right by themselves, with the
                defaults of absent ones. A key that is wrong by itself is not in it.
        """
        del values
        return iter(())

    @model_validator(mode="after")
    def _refuse_contradictions(self) -> "Table":
        for key, text in type(self).contradictions(vars(self)):
            raise PydanticCustomError(CONTRADICTION, "{key} {text}", {"key": key, "text": text})
        return self
