"""Parts of a page of Markdown that a command writes, between two marks of their own."""

import os
import platform
from datetime import UTC, datetime
from pathlib import Path

_END = "<!-- end -->\n"


def part(page: Path, mark: str) -> str:
    """Give what stands behind a mark.

    Raises:
        ValueError: the page has no such part.
    """
    text = page.read_text(encoding="utf-8")
    begin = text.index(f"<!-- {mark} -->\n") + len(f"<!-- {mark} -->\n")
    return text[begin : text.index(_END, begin)]


def write_part(page: Path, mark: str, content: str) -> None:
    """Put something in the place of what stands behind a mark; a new mark goes to the end."""
    text, head = page.read_text(encoding="utf-8"), f"<!-- {mark} -->\n"
    if head in text:
        before, after = text.split(head, 1)
        page.write_text(before + head + content + after[after.index(_END) :], encoding="utf-8")
    else:
        page.write_text(f"{text.rstrip()}\n\n{head}{content}{_END}", encoding="utf-8")


def occasion() -> str:
    """Say when and where something was measured, and what else the machine had to do."""
    cores, load = os.cpu_count(), os.getloadavg()[0]
    return (
        f"{datetime.now(UTC):%Y-%m-%d}, {_debian()}, {platform.machine()} with {cores} cores,"
        f" Python {platform.python_version()}, load average {load:.1f}"
    )


def _debian() -> str:
    try:
        return platform.freedesktop_os_release()["PRETTY_NAME"]
    except OSError:
        return platform.system()
