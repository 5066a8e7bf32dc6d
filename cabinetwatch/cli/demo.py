"""`cabinetwatch demo`: the whole job in a minute and a half, on this machine alone.

Beside the evening that is played live, a child of low priority (this module as a program, with a
folder) lets the watch's engine live through a fortnight in the same cabinet, as fast as the machine
can, and makes summary and page of its store as of any other.
"""

import argparse
import gc
import importlib
import logging
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Self
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from cabinetwatch.cli.reports import write_summary
from cabinetwatch.clock import RatedClock
from cabinetwatch.config.model import Config
from cabinetwatch.demo import story
from cabinetwatch.demo.cabinet import SensorNodes
from cabinetwatch.demo.story import MARK, PREFIX, STORE_FILE, TIME_ZONE, Observer, WatchMessage
from cabinetwatch.report.summary_week import CLOSES_AFTER_MS, IsoWeek
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.service.offline import OfflineRun
from cabinetwatch.service.startup import open_or_make
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError, UsageError, from_rfc3339, plain
from cabinetwatch.watch.conditions import load_config

Say = Callable[[str], None]

CONFIG_FILE = "config.toml"
LOG_FILE = "watch.log"
MAIL_FOLDER = "mails"
TRIAL_RECORD = "trial-nas.csv"
TRIAL_PAGE = "trial-nas.html"
FORTNIGHT_FOLDER = "fortnight"
SUMMARY_FOLDER = "summary"
PAGE_FOLDER = "page"

FIRST_PLAIN_TABLE_S = 60.0
PLAIN_TABLE_EVERY_S = 240.0
"""On no terminal the devices are told first and then again after so many simulated seconds."""

CELSIUS = "\N{DEGREE SIGN}C"

_STYLES = {"unacknowledged": "bold red", "returned": "green", "normal": "green"}
_LOOK_EVERY_S = 0.1
_ONLINE_WITHIN_S = 30.0


def run(args: argparse.Namespace) -> int:
    """Run the demonstration; 0 when the watch told all that it should have, 1 when not."""
    try:
        importlib.import_module("cabinetwatch.demo.servers")
    except ModuleNotFoundError as missing:
        raise UsageError(
            f"cabinetwatch demo needs the library {missing.name}, which is not installed here;"
            " install cabinetwatch[demo] instead of cabinetwatch alone, or what"
            " deploy/requirements-demo.txt lists"
        ) from missing
    folder: Path = args.out
    _make_room(folder)
    # A folder may have in its name what is markup, or an emoji, to rich.
    console = Console(highlight=False, markup=False, emoji=False)
    say = partial(console.print, soft_wrap=True)
    _introduce(say)
    try:
        with _fortnight_made(folder / FORTNIGHT_FOLDER) as child:
            with _log_to(folder / LOG_FILE):
                complete = _Show(folder, console).play()
            _prove_a_change(say, folder)
            _look_back(say, child, folder / FORTNIGHT_FOLDER)
    except KeyboardInterrupt:
        say(f"Ended early; what there was by then is in {folder}.")
        raise
    _conclude(say, folder)
    return 0 if complete else 1


class _Show:
    """Everything that runs during the demonstration."""

    def __init__(self, folder: Path, console: Console) -> None:
        self._folder = folder
        self._screen = Screen(console)
        self._stage = story.Stage()
        self._start_utc_ms = story.start_utc_ms(time.time_ns() // 1_000_000)
        self._told: list[WatchMessage] = []
        self._mailed = 0

    def play(self) -> bool:
        """Start the parts, play the acts, stop the parts; True when all was told."""
        # With libraries that an installation may lack.
        from cabinetwatch.demo.servers import EmbeddedBroker, MailDrop  # noqa: PLC0415

        with ExitStack() as parts:
            broker = parts.enter_context(EmbeddedBroker())
            self._drop = drop = parts.enter_context(MailDrop(self._folder / MAIL_FOLDER))
            text = story.configuration_text(
                broker_host=broker.host,
                broker_port=broker.port,
                mail_host=drop.host,
                mail_port=drop.port,
            )
            (self._folder / CONFIG_FILE).write_text(text, encoding="utf-8")
            self._clock = RatedClock(story.RATE, self._start_utc_ms)
            self._observer = parts.enter_context(Observer(broker.host, broker.port, PREFIX))
            self._daemon = Daemon(load_config(self._folder / CONFIG_FILE), clock=self._clock)
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
            for act in story.ACTS:
                self._look_until(act.at_s)
                self._screen.say(f"{self._now()}  {act.says}", "bold")
                with self._nodes.touching():
                    act.do(self._stage)
            self._look_until(story.END_S)
            self._look()
            return self._judge()

    def _after_s(self, utc_ms: int) -> float:
        """Simulated seconds from the beginning to an instant."""
        return (utc_ms - self._begun_utc_ms) / 1000

    def _now(self) -> str:
        return story.clock_time(self._clock.utc_ms())

    def _look_until(self, at_s: float) -> None:
        """Show what comes in until `at_s` simulated seconds after the beginning."""
        while (left_s := at_s - self._after_s(self._clock.utc_ms())) > 0:
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
            self._screen.say(
                f"{story.clock_time(from_rfc3339(told.time))}    watch: {told.subject}"
                f" {told.condition} is {told.state} ({told.priority}): {told.text}",
                _STYLES.get(told.state, ""),
            )
        for mail in self._drop.mails[self._mailed :]:
            self._mailed += 1
            subject = mail.message["Subject"]
            self._screen.say(f"{self._now()}    mail {mail.path.name}: {subject}", "cyan")
        self._screen.devices(
            self._now(), self._after_s(self._clock.utc_ms()), self._observer.devices()
        )

    def _judge(self) -> bool:
        """Say by name what the watch should have told and didn't."""
        faults = self._observer.faults()
        mailed = _flowing("\n".join(mail.text for mail in self._drop.mails))
        for expected in story.EXPECTED:
            told = expected.find(
                (self._after_s(from_rfc3339(told.time)), told) for told in self._told
            )
            if told is None:
                faults.append(f"{expected} did not come in time")
            elif _flowing(told.text) not in mailed:
                faults.append(f"{expected} was not mailed")
        for fault in faults:
            self._screen.say(f"The demonstration failed: {fault}.", "bold red")
        return not faults


def _flowing(text: str) -> str:
    """Give a text as programs want it, on one line."""
    return " ".join(plain(text).split())


class Screen:
    """A context manager: on a terminal a table stays below what is said, else lines come by."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live: Live | None = None
        self._next_plain_s = FIRST_PLAIN_TABLE_S

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live = Live(console=self._console, refresh_per_second=5, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave what was said on the screen and take the table away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def say(self, sentence: str, style: str = "") -> None:
        """Say one sentence."""
        self._console.print(Text(sentence, style=style), soft_wrap=True)

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


@contextmanager
def _log_to(path: Path) -> Iterator[None]:
    """Send the watch's log to a file instead of the screen."""
    handler = logging.FileHandler(path, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    logger = logging.getLogger("cabinetwatch")
    level, propagate = logger.level, logger.propagate
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)
        logger.propagate = propagate
        handler.close()


def _make_room(folder: Path) -> None:
    """Make the folder, or clear what an earlier demonstration left in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()) and not _is_ours(folder):
            raise UsageError(
                f"{folder} holds other files than an earlier demonstration's;"
                " name another folder with --out"
            )
        past = folder / FORTNIGHT_FOLDER
        for part in (SUMMARY_FOLDER, PAGE_FOLDER):
            shutil.rmtree(past / part, ignore_errors=True)
        for old in (
            *folder.glob(f"{STORE_FILE}*"),
            *past.glob(f"{STORE_FILE}*"),
            *(folder / name for name in (CONFIG_FILE, LOG_FILE, TRIAL_RECORD, TRIAL_PAGE)),
            past / CONFIG_FILE,
            *(folder / MAIL_FOLDER).glob("[0-9][0-9][0-9].eml"),
        ):
            old.unlink(missing_ok=True)
        (folder / CONFIG_FILE).write_text(MARK, encoding="utf-8")
    except OSError as fault:
        raise UsageError(
            f"{folder} can't be used for the demonstration's files ({fault.strerror});"
            " name another folder with --out"
        ) from fault


def _is_ours(folder: Path) -> bool:
    config = folder / CONFIG_FILE
    return config.is_file() and config.read_text("utf-8", errors="replace").startswith(MARK)


def _introduce(say: Say) -> None:
    say(
        "All data in this demonstration is SIMULATED: an under-stairs cabinet with a NAS, a PoE"
        " switch, a UPS and an AV amplifier, living thirty times faster than life. The MQTT broker,"
        " the mail server and the watch are real, run inside this one program, and talk over this"
        " machine's loopback only. Times are the simulated household's. It takes about a minute and"
        " a half; Ctrl-C ends it.\n"
    )


def _prove_a_change(say: Say, folder: Path) -> None:
    """Write an invented trial record, and have it judged as a user would."""
    record, page = folder / TRIAL_RECORD, folder / TRIAL_PAGE
    phases = story.write_trial_record(record, story.trial_start_utc_ms(time.time_ns() // 1_000_000))
    command = [
        *("trial", "report", "--config", str(folder / CONFIG_FILE), "--device", story.DEVICE),
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
    say(
        "\nAnd a change of cooling on trial: the fan of the simulated NAS slowed to four fifths."
        f" {verdict}"
    )
    say(f"  judged by: {_own_name()} {shlex.join(command)}")


def _look_back(say: Say, child: subprocess.Popen[str], folder: Path) -> None:
    """Show the beginning of the weekly summary of a simulated fortnight, once that is made."""
    say(
        "\nAnd how it looks in the long run: a SIMULATED fortnight in the same cabinet, with dust"
        " that gathers, a stalled fan, hot days and a silent sensor, judged by the same engine. The"
        " weekly mail of its second week begins:"
    )
    _, errors = child.communicate()
    if child.returncode != 0:
        last = errors.strip().splitlines()[-1:] or [f"status {child.returncode}"]
        raise CabinetwatchError(f"the simulated fortnight could not be made: {last[0]}")
    (text,) = (folder / SUMMARY_FOLDER).glob("*.txt")
    for line in beginning(text.read_text(encoding="utf-8")):
        say(f"  {line}")


def _conclude(say: Say, folder: Path) -> None:
    """Name the files and what to type next."""
    command, past = _own_name(), folder / FORTNIGHT_FOLDER
    lines = [
        "",
        "That was all, on simulated data. These files are left:",
        f"  {folder / MAIL_FOLDER}/  what the household was mailed; open one in a mail program",
        f"  {folder / STORE_FILE}  every reading and every alarm, in SQLite",
        f"  {folder / CONFIG_FILE}  the configuration, an example to start from",
        f"  {folder / LOG_FILE}  the watch's own log",
        f"  {folder / TRIAL_RECORD}  an invented trial record: before and after a fan was slowed",
        f"  {folder / TRIAL_PAGE}  the report of that trial; open it in a browser",
        f"  {past / SUMMARY_FOLDER}/  the weekly summary: mail, HTML, text and pictures",
        f"  {past / PAGE_FOLDER}/index.html  the page as it was then; open it in a browser",
        f"  {past / STORE_FILE}  the simulated fortnight, with its configuration beside it",
        "Next, look at the alarms of that evening:",
        f"  {command} alarms --config {folder / CONFIG_FILE}",
        "Then, on your own broker, see README.md: the first quarter of an hour.",
    ]
    for line in lines:
        say(line)


def _own_name() -> str:
    """Give the command as it has to be typed here."""
    program = Path(sys.argv[0])
    found = shutil.which("cabinetwatch")
    if found is not None or program.name != "cabinetwatch":
        return "cabinetwatch"
    return str(program)


@contextmanager
def _fortnight_made(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Let a child of low priority make the fortnight, beside the evening that is live.

    It is ended with the block if it is still at work.
    """
    command = [sys.executable, "-P", "-m", __spec__.name, str(folder)]
    child = subprocess.Popen(  # noqa: S603 - this very program, its own arguments
        command, stderr=subprocess.PIPE, text=True
    )
    try:
        yield child
    finally:
        if child.poll() is None:
            child.kill()
            child.communicate()


def beginning(summary: str) -> list[str]:
    """Give a summary's lines up to the end of the first thing that needs a hand."""
    head, first, rest = summary.partition("\n1. ")
    matter, _, _ = rest.partition("\n\n")
    return f"{head}{first}{matter}".rstrip().splitlines()


def _make(folder: Path, now_utc_ms: int) -> None:
    """Live through the fortnight that ended last Monday, and write what is to be seen of it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / CONFIG_FILE).write_text(story.fortnight_configuration_text(), encoding="utf-8")
    config = load_config(folder / CONFIG_FILE)
    end_utc_ms = story.fortnight_end_utc_ms(now_utc_ms)
    with open_or_make(config.store.url) as store:
        week = _live(config, store, end_utc_ms)
    write_summary(config, week, folder / SUMMARY_FOLDER, end_utc_ms)
    _write_page(config, folder / PAGE_FOLDER, end_utc_ms)


def _live(config: Config, store: Store, end_utc_ms: int) -> IsoWeek:
    """Let the watch live through it; give the newest week that is over."""
    zone = ZoneInfo(TIME_ZONE)
    start_utc_ms = story.fortnight_start_utc_ms(end_utc_ms)
    offline = OfflineRun(config, store, start_utc_ms)
    week = IsoWeek.of(start_utc_ms, zone)
    for moment in story.moments(start_utc_ms, end_utc_ms):
        offline.live(moment.utc_ms, moment.values)
        for action in moment.actions:
            offline.obey(action.command, action.alarm)
        if moment.utc_ms >= week.ends_utc_ms(zone) + CLOSES_AFTER_MS:
            offline.close_week(week)
            week = week.after()
    offline.pause()
    return week.before()


def _write_page(config: Config, folder: Path, utc_ms: int) -> None:
    from cabinetwatch.report.charts import draw_charts  # noqa: PLC0415
    from cabinetwatch.report.page_server import PageSource, write_page  # noqa: PLC0415

    folder.mkdir(mode=0o700)
    with Store.open(config.store.url, read_only=True) as store:
        draw_charts(store, config, folder, utc_ms)
    # A clock that stands: the page is of then.
    source = PageSource(config.store.url, config, folder, RatedClock(0.0, utc_ms), None)
    # The page is of an evening on which that watch ran.
    with WriterLock(config.store_path(), watch=True):
        write_page(source, folder)
    source.close()


def _main(folder: Path) -> int:
    """Make it; 2 with one sentence on standard error when it can't be made."""
    # It shares the machine with the evening that is played live.
    os.nice(5)
    # Hundreds of thousands of readings and no cycle; going through them takes its time.
    gc.disable()
    try:
        _make(folder, time.time_ns() // 1_000_000)
    except (CabinetwatchError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(_main(Path(sys.argv[1])))
