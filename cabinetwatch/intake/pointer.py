"""JSON Pointer (RFC 6901), compiled once and resolved often."""

from typing import Any

from jsonpointer import JsonPointer, JsonPointerException


class Missing(LookupError):  # noqa: N818 - it says what the member is
    """The document has nothing where the pointer points."""


class Pointer:
    """A JSON Pointer to a value that is to be read.

    Raises:
        ValueError: the text is no JSON Pointer.
    """

    def __init__(self, text: str) -> None:
        try:
            self._compiled = JsonPointer(text)
        except JsonPointerException:
            raise ValueError(
                f"{text!r} is no JSON Pointer; write it like /temperature or /probes/0/value"
            ) from None
        self.text = text
        self._parts: list[str] = self._compiled.get_parts()

    def resolve(self, document: Any) -> Any:
        """Give the value that the pointer names.

        Raises:
            Missing: there is none.
        """
        # Nearly every payload is objects within objects; the library serves the rest.
        value = document
        for part in self._parts:
            if type(value) is not dict:
                return self._resolve_otherwise(document)
            if part not in value:
                raise Missing(self.text)
            value = value[part]
        return value

    def _resolve_otherwise(self, document: Any) -> Any:
        # "-" names the element past the end of a list; there is nothing to read (RFC 6901, 4).
        value = document
        for part in self._parts:
            if part == "-" and isinstance(value, list):
                raise Missing(self.text)
            try:
                value = self._compiled.walk(value, part)
            except JsonPointerException:
                raise Missing(self.text) from None
        return value
