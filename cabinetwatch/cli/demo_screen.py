"""What the demonstration shows: sentences as things happen, and a table of the devices."""

from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

FIRST_PLAIN_TABLE_S = 60.0
PLAIN_TABLE_EVERY_S = 240.0
"""On no terminal the devices are told first and then again after so many simulated seconds."""

CELSIUS = "\N{DEGREE SIGN}C"

_STYLES = {"unacknowledged": "bold red", "returned": "green", "normal": "green"}


class Screen:
    """A context manager: on a terminal a table stays below what is said, else lines come by."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live: Live | None = None
        self._next_plain_s = FIRST_PLAIN_TABLE_S

    def __enter__(self) -> Self:
        """Start the live display where there is a terminal for it."""
        if self._console.is_terminal:
            self._live = Live(console=self._console, refresh_per_second=5, transient=True)
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave what was said on the screen and take the table away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def say(self, sentence: str, style: str = "") -> None:
        """Say one sentence without a time."""
        self._console.print(Text(sentence, style=style), soft_wrap=True)

    def happened(self, clock_time: str, sentence: str) -> None:
        """Tell what happened in the simulated cabinet."""
        self.say(f"{clock_time}  {sentence}", "bold")

    def alarm(self, clock_time: str, transition: dict[str, Any]) -> None:
        """Tell a transition that the watch published."""
        state = str(transition["state"])
        self.say(
            f"{clock_time}    watch: {transition['subject']} {transition['condition']}"
            f" is {state} ({transition['priority']}): {transition['text']}",
            _STYLES.get(state, ""),
        )

    def mail(self, clock_time: str, subject: str, file_name: str) -> None:
        """Tell a mail that came in."""
        self.say(f"{clock_time}    mail {file_name}: {subject}", "cyan")

    def devices(self, clock_time: str, at_s: float, devices: dict[str, dict[str, Any]]) -> None:
        """Show the devices' present figures."""
        if not devices:
            return
        if self._live is not None:
            self._live.update(_table(clock_time, devices))
        elif at_s >= self._next_plain_s:
            self._next_plain_s = at_s + PLAIN_TABLE_EVERY_S
            self.say(f"{clock_time}    devices: {_line(devices)}")


def _table(clock_time: str, devices: dict[str, dict[str, Any]]) -> Table:
    table = Table(title=f"The simulated cabinet at {clock_time}", title_justify="left")
    table.add_column("device")
    for heading in ("temperature", "ambient", "rise", "threshold", "margin"):
        table.add_column(heading, justify="right")
    for device, figures in sorted(devices.items()):
        margin_k = figures.get("margin_k")
        table.add_row(
            device,
            _figure(figures.get("temperature_c"), CELSIUS),
            _figure(figures.get("ambient_c"), CELSIUS),
            _figure(figures.get("rise_k"), "K"),
            _figure(figures.get("threshold_c"), CELSIUS, "-"),
            _figure(margin_k, "K", "-"),
            style="red" if margin_k is not None and margin_k < 0 else "",
        )
    return table


def _line(devices: dict[str, dict[str, Any]]) -> str:
    return ", ".join(
        f"{device} {_figure(figures.get('temperature_c'), CELSIUS)}"
        f" (rise {_figure(figures.get('rise_k'), 'K')})"
        for device, figures in sorted(devices.items())
    )


def _figure(value: float | None, unit: str, otherwise: str = "unknown") -> str:
    return otherwise if value is None else f"{value:z.1f} {unit}"
