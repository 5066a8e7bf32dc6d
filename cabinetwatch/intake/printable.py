"""The escaping of text from outside, under the name by which the service knows it."""

from cabinetwatch.text import printable

__all__ = ["printable"]
