"""What the benchmarks share: their command line."""

import argparse
import json
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any


def command(
    description: str | None,
    numbers: Mapping[str, tuple[float, str]],
    measure: Callable[..., Any],
    show: Callable[[Any], None],
) -> int:
    """Measure in a temporary folder and print a table, or with --json one JSON object.

    `numbers`: the options, each with its default and what it means; `measure` takes them, and the
    folder first.
    """
    parser = argparse.ArgumentParser(description=(description or "").splitlines()[0])
    for name, (default, meaning) in numbers.items():
        text = f"{meaning} (default: {default})"
        parser.add_argument(f"--{name}", type=type(default), default=default, help=text)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = vars(parser.parse_args())
    as_json = options.pop("json")
    with tempfile.TemporaryDirectory() as name:
        figures = measure(Path(name), **options)
    if as_json:
        print(json.dumps(figures))
    else:
        show(figures)
    return 0
