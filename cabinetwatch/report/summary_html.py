"""Dresses a summary as HTML that mail programs leave alone: inline styles, tables, no script."""

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from cabinetwatch.report.summary_content import Summary

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


class Shown(NamedTuple):
    """A picture in the page: where it comes from, its words, and what is marked on it."""

    source: str
    title: str
    alt: str
    key: str


def html_of(summary: Summary, pictures: Mapping[str, list[Shown]]) -> str:
    """Give the HTML; everything from outside is escaped.

    Args:
        summary: in words.
        pictures: those of each device, by its ID.
    """
    return _TEMPLATES.get_template("summary.html.j2").render(summary=summary, pictures=pictures)
