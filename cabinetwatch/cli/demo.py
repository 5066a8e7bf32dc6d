"""`cabinetwatch demo`: the whole job in a minute and a half, on this machine alone."""

import argparse
import logging
import shlex
import shutil
import subprocess
import sys
import time
from collections import deque
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from cabinetwatch.cli import demo_fortnight
from cabinetwatch.cli.demo_fortnight import PAGE_FOLDER, SUMMARY_FOLDER, Fortnight
from cabinetwatch.clock import RatedClock, from_rfc3339
from cabinetwatch.demo import nodes
from cabinetwatch.demo.fortnight import DEVICE as TRIAL_DEVICE
from cabinetwatch.demo.fortnight import (
    MARK,
    PREFIX,
    STORE_FILE,
    configuration_text,
    write_trial_record,
)
from cabinetwatch.demo.nodes import Observer, SensorNodes, WatchMessage
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.text import CabinetwatchError, UsageError
from cabinetwatch.watch.configuration import load

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


try:
    from cabinetwatch.demo.servers import DroppedMail, EmbeddedBroker, MailDrop, text_of
except ModuleNotFoundError as missing:
    raise UsageError(
        f"cabinetwatch demo needs the library {missing.name}, which is not installed here;"
        " install cabinetwatch[demo] instead of cabinetwatch alone, or what"
        " deploy/requirements-demo.txt lists"
    ) from missing

DEFAULT_FOLDER = Path("demo-output")
CONFIG_FILE = "config.toml"
LOG_FILE = "watch.log"
MAIL_FOLDER = "mails"
TRIAL_RECORD = "trial-nas.csv"
TRIAL_PAGE = "trial-nas.html"
FORTNIGHT_FOLDER = "fortnight"

_LOOK_EVERY_S = 0.1
_ONLINE_WITHIN_S = 30.0


def configure_demo(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=DEFAULT_FOLDER,
        help=f"folder for mails, database and configuration (default: {DEFAULT_FOLDER})",
    )


def run_demo(args: argparse.Namespace) -> int:
    """Run the demonstration.

    Returns:
        0 when the watch told all that it should have, 1 when not.

    Raises:
        UsageError: the folder holds something else or can't be written.
    """
    folder: Path = args.out
    _make_room(folder)
    console = Console(highlight=False)
    _introduce(console)
    try:
        with Fortnight(folder / FORTNIGHT_FOLDER) as fortnight:
            with _log_to(folder / LOG_FILE):
                complete = _Show(folder, console).play()
            _prove_a_change(console, folder)
            _look_back(console, fortnight)
    except KeyboardInterrupt:
        console.print(f"Ended early; what there was by then is in {folder}.", soft_wrap=True)
        raise
    _conclude(console, folder)
    return 0 if complete else 1


class _Show:
    """Everything that runs during the demonstration."""

    def __init__(self, folder: Path, console: Console) -> None:
        self._folder = folder
        self._screen = Screen(console)
        self._stage = nodes.Stage()
        self._start_utc_ms = nodes.start_utc_ms(time.time_ns() // 1_000_000)
        self._mails: deque[DroppedMail] = deque()
        self._told: list[WatchMessage] = []

    def play(self) -> bool:
        """Start the parts, play the acts, stop the parts; True when all was told."""
        with ExitStack() as parts:
            broker = parts.enter_context(EmbeddedBroker())
            drop = parts.enter_context(MailDrop(self._folder / MAIL_FOLDER, self._mails.append))
            self._write_configuration(broker, drop)
            self._clock = RatedClock(nodes.RATE, self._start_utc_ms)
            self._observer = parts.enter_context(Observer(broker.host, broker.port, PREFIX))
            self._daemon = Daemon(load(self._folder / CONFIG_FILE), clock=self._clock)
            self._daemon.start()
            parts.callback(self._daemon.stop)
            if not self._observer.wait_online(_ONLINE_WITHIN_S):
                raise CabinetwatchError(
                    f"the watch did not come online within {_ONLINE_WITHIN_S:z.0f} s;"
                    f" {self._folder / LOG_FILE} says why"
                )
            self._nodes = parts.enter_context(
                SensorNodes(
                    self._stage.cabinet,
                    self._stage.instruments.nodes,
                    clock=self._clock,
                    host=broker.host,
                    port=broker.port,
                )
            )
            parts.enter_context(self._screen)
            self._begun_utc_ms = self._clock.utc_ms()
            for act in nodes.ACTS:
                self._look_until(act.at_s)
                self._screen.happened(self._now(), act.says)
                with self._nodes.touching():
                    act.do(self._stage)
            self._look_until(nodes.END_S)
            self._look()
            return self._judge(drop)

    def _write_configuration(self, broker: EmbeddedBroker, drop: MailDrop) -> None:
        text = configuration_text(
            time_zone=nodes.TIME_ZONE,
            broker_host=broker.host,
            broker_port=broker.port,
            mail_host=drop.host,
            mail_port=drop.port,
        )
        (self._folder / CONFIG_FILE).write_text(text, encoding="utf-8")

    def _at_s(self) -> float:
        return self._after_s(self._clock.utc_ms())

    def _after_s(self, utc_ms: int) -> float:
        """Simulated seconds from the beginning to an instant."""
        return (utc_ms - self._begun_utc_ms) / 1000

    def _now(self) -> str:
        return nodes.clock_time(self._clock.utc_ms())

    def _look_until(self, at_s: float) -> None:
        """Show what comes in until `at_s` simulated seconds after the beginning."""
        while (left_s := at_s - self._at_s()) > 0:
            self._look()
            time.sleep(min(_LOOK_EVERY_S, self._clock.real_s(left_s)))

    def _look(self) -> None:
        """Show what has come in since the last look."""
        self._nodes.check()
        if self._daemon.failure is not None:
            part, error = self._daemon.failure
            raise CabinetwatchError(
                f"the watch's {part} part ended ({error!r});"
                f" {self._folder / LOG_FILE} has the details"
            )
        for told in self._observer.told(len(self._told)):
            self._told.append(told)
            self._screen.alarm(nodes.clock_time(from_rfc3339(told.time)), told.whole)
        while self._mails:
            mail = self._mails.popleft()
            self._screen.mail(self._now(), str(mail.message["Subject"]), mail.path.name)
        self._screen.devices(self._now(), self._at_s(), self._observer.devices())

    def _judge(self, drop: MailDrop) -> bool:
        """Say by name what the watch should have told and didn't."""
        faults = self._observer.faults()
        mailed = "\n".join(text_of(mail) for mail in drop.mails)
        for expected in nodes.EXPECTED:
            told = expected.find(
                (self._after_s(from_rfc3339(told.time)), told) for told in self._told
            )
            if told is None:
                faults.append(f"{expected} did not come in time")
            elif told.text not in mailed:
                faults.append(f"{expected} was not mailed")
        for fault in faults:
            self._screen.say(f"The demonstration failed: {fault}.", "bold red")
        return not faults


class _log_to:  # noqa: N801 - reads as a verb where it is used
    """A context manager that sends the watch's log to a file instead of the screen."""

    def __init__(self, path: Path) -> None:
        self._handler = logging.FileHandler(path, encoding="utf-8")
        self._handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
        self._logger = logging.getLogger("cabinetwatch")

    def __enter__(self) -> None:
        """Divert the log."""
        self._level, self._propagate = self._logger.level, self._logger.propagate
        self._logger.addHandler(self._handler)
        self._logger.setLevel(logging.INFO)
        self._logger.propagate = False

    def __exit__(self, *_: object) -> None:
        """Put the log back."""
        self._logger.removeHandler(self._handler)
        self._logger.setLevel(self._level)
        self._logger.propagate = self._propagate
        self._handler.close()


def _make_room(folder: Path) -> None:
    """Make the folder, or clear what an earlier demonstration left in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()) and not _is_ours(folder):
            raise UsageError(
                f"{folder} holds other files than an earlier demonstration's;"
                " name another folder with --out"
            )
        for old in [*folder.glob(f"{STORE_FILE}*"), folder / CONFIG_FILE, folder / LOG_FILE]:
            old.unlink(missing_ok=True)
        for old in (folder / TRIAL_RECORD, folder / TRIAL_PAGE):
            old.unlink(missing_ok=True)
        demo_fortnight.clear(folder / FORTNIGHT_FOLDER)
        for old in (folder / MAIL_FOLDER).glob("[0-9][0-9][0-9].eml"):
            old.unlink()
        (folder / CONFIG_FILE).write_text(MARK, encoding="utf-8")
    except OSError as fault:
        raise UsageError(
            f"{folder} can't be used for the demonstration's files ({fault.strerror});"
            " name another folder with --out"
        ) from fault


def _is_ours(folder: Path) -> bool:
    config = folder / CONFIG_FILE
    return config.is_file() and config.read_text("utf-8", errors="replace").startswith(MARK)


def _introduce(console: Console) -> None:
    console.print(
        "All data in this demonstration is SIMULATED: an under-stairs cabinet with a NAS, a PoE"
        " switch, a UPS and an AV amplifier, living thirty times faster than life. The MQTT broker,"
        " the mail server and the watch are real, run inside this one program, and talk over this"
        " machine's loopback only. Times are the simulated household's. It takes about a minute and"
        " a half; Ctrl-C ends it.\n",
        soft_wrap=True,
    )


def _prove_a_change(console: Console, folder: Path) -> None:
    """Write an invented trial record, and have it judged as a user would."""
    record, page = folder / TRIAL_RECORD, folder / TRIAL_PAGE
    phases = write_trial_record(record, nodes.trial_start_utc_ms(time.time_ns() // 1_000_000))
    command = [
        *("trial", "report", "--config", str(folder / CONFIG_FILE), "--device", TRIAL_DEVICE),
        *("--before", phases.before, "--after", phases.after),
        *("--recording", str(record), "--html", str(page)),
    ]
    # A process of its own: what fits curves and draws is large.
    done = subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-P", "-m", "cabinetwatch", *command],
        capture_output=True,
        text=True,
        check=False,
    )
    verdict = next((x for x in done.stdout.splitlines() if x.startswith("VERDICT")), None)
    if verdict is None:
        raise CabinetwatchError(f"the trial could not be judged: {done.stderr.strip()}")
    console.print(
        "\nAnd a change of cooling on trial: the fan of the simulated NAS slowed to four fifths."
        f" {verdict}",
        soft_wrap=True,
    )
    console.print(f"  judged by: {_own_name()} {shlex.join(command)}", soft_wrap=True)


def _look_back(console: Console, fortnight: Fortnight) -> None:
    """Show the beginning of the weekly summary of a simulated fortnight."""
    console.print(
        "\nAnd how it looks in the long run: a SIMULATED fortnight in the same cabinet, with dust"
        " that gathers, a stalled fan, hot days and a silent sensor, judged by the same engine. The"
        " weekly mail of its second week begins:",
        soft_wrap=True,
    )
    for line in fortnight.wait():
        console.print(f"  {line}", soft_wrap=True)


def _conclude(console: Console, folder: Path) -> None:
    """Name the files and what to type next."""
    command, fortnight = _own_name(), folder / FORTNIGHT_FOLDER
    lines = [
        "",
        "That was all, on simulated data. These files are left:",
        f"  {folder / MAIL_FOLDER}/  what the household was mailed; open one in a mail program",
        f"  {folder / STORE_FILE}  every reading and every alarm, in SQLite",
        f"  {folder / CONFIG_FILE}  the configuration, an example to start from",
        f"  {folder / LOG_FILE}  the watch's own log",
        f"  {folder / TRIAL_RECORD}  an invented trial record: before and after a fan was slowed",
        f"  {folder / TRIAL_PAGE}  the report of that trial; open it in a browser",
        f"  {fortnight / SUMMARY_FOLDER}/  the weekly summary: mail, HTML, text and pictures",
        f"  {fortnight / PAGE_FOLDER}/index.html  the page as it stood then; open it in a browser",
        f"  {fortnight / STORE_FILE}  the simulated fortnight, with its configuration beside it",
        "Next, look at the alarms of that evening:",
        f"  {command} alarms --config {folder / CONFIG_FILE}",
        "Then, on your own broker, see README.md: the first quarter of an hour.",
    ]
    for line in lines:
        console.print(line, soft_wrap=True)


def _own_name() -> str:
    """Give the command as it has to be typed here."""
    program = Path(sys.argv[0])
    found = shutil.which("cabinetwatch")
    if found is not None or program.name != "cabinetwatch":
        return "cabinetwatch"
    return str(program)
