"""Finishes an SVG: title and description, colours by name, dark ones for those who read in dark."""

import re
from html import escape

from cabinetwatch.charts.palette import DARK, LIGHT

_NAMES = {colour: name for name, colour in LIGHT.items()}
_COLOUR = re.compile(r"#[0-9a-f]{6}\b")
_OPENING = re.compile(r"<svg\b[^>]*>")
_STYLE = re.compile(r"<style>.*?</style>", re.DOTALL)
_ID = re.compile(r'\b(id)="([^"]*)"')
_REFERENCE = re.compile(r'(url\(|href=")#')
_FAMILY = re.compile(r"font-family: [^;\"]*")
_FONT = "system-ui,-apple-system,'Segoe UI',Roboto,Helvetica,Arial,sans-serif"
DARK_RULES = "".join(f"--{name}:{colour};" for name, colour in DARK.items())


def finish(drawn: str, title: str, description: str) -> str:
    """Give the SVG as it is written to a file.

    Args:
        drawn: by matplotlib, in the light colours, with texts as texts.
        title: What the picture is.
        description: What it shows, with its figures, for those who don't see it.
    """
    body = drawn[drawn.index("<svg") :]
    opening = _OPENING.match(body)
    if opening is None:
        raise ValueError("this is no SVG")
    rest = _COLOUR.sub(_by_name, body[opening.end() :])
    # Text is set in the reader's own font; the one it was measured in need not be there.
    rest = _FAMILY.sub(f"font-family: {_FONT}", rest)
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        + _named(opening.group())
        + f'<title id="title">{escape(title)}</title><desc id="desc">{escape(description)}</desc>'
        + f"<style>@media (prefers-color-scheme:dark){{:root{{{DARK_RULES}}}}}</style>"
        + rest
    )


def inlined(svg: str, prefix: str) -> str:
    """Give a finished SVG as part of a page: without a head and a style of its own.

    The page gives the dark colours (`DARK_RULES`). IDs get a prefix, so that several can stand on
    one page.
    """
    body = _STYLE.sub("", svg[svg.index("<svg") :])
    body = _ID.sub(rf'\1="{prefix}-\2"', body)
    body = _REFERENCE.sub(rf"\1#{prefix}-", body)
    labelled = f'aria-labelledby="{prefix}-title {prefix}-desc"'
    return body.replace('aria-labelledby="title desc"', labelled)


def _by_name(match: re.Match[str]) -> str:
    colour = match.group()
    name = _NAMES.get(colour)
    return colour if name is None else f"var(--{name},{colour})"


def _named(opening: str) -> str:
    return opening[:-1] + ' role="img" aria-labelledby="title desc">'
