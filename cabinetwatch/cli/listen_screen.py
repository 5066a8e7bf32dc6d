"""The live table of `listen`: one row for each topic."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.live import Live
from rich.table import Table
from rich.text import Text

from cabinetwatch.clock import WatchTime
from cabinetwatch.intake.excerpt import excerpt
from cabinetwatch.intake.survey import Heard, Survey
from cabinetwatch.times import describe_duration

_REFRESH_EVERY_S = 0.25
_MOST_ROWS = 200


@contextmanager
def live_table(survey: Survey, watch: WatchTime) -> Iterator[Callable[[], None]]:
    """Show a survey on the terminal; gives the function that redraws it when it is time to."""
    with Live(_table(survey, watch), auto_refresh=False, vertical_overflow="ellipsis") as live:
        drawn = time.monotonic()

        def refresh() -> None:
            nonlocal drawn
            if time.monotonic() - drawn >= _REFRESH_EVERY_S:
                live.update(_table(survey, watch), refresh=True)
                drawn = time.monotonic()

        yield refresh
        live.update(_table(survey, watch), refresh=True)


def _table(survey: Survey, watch: WatchTime) -> Table:
    table = Table(title="Listening; Ctrl-C ends it and drafts the tables", title_justify="left")
    for heading in ("topic", "payload", "QoS", "count", "every", "last"):
        right = heading in {"QoS", "count", "every", "last"}
        table.add_column(heading, justify="right" if right else "left")
    for topic in sorted(survey.topics)[:_MOST_ROWS]:
        table.add_row(*map(Text, _row(survey.topics[topic], watch.now_ms())))
    return table


def _row(heard: Heard, now_t: int) -> tuple[str, ...]:
    interval_s = heard.interval_s()
    age = "retained"
    if heard.last_live_t is not None:
        age = describe_duration((now_t - heard.last_live_t) / 1000) + " ago"
    return (
        excerpt(heard.topic, 60),
        heard.shown,
        str(heard.qos) if heard.live else "",
        str(heard.count),
        "" if interval_s is None else f"{interval_s:z.3g} s",
        age,
    )
