"""The table of commands: what each does, its function, and its arguments with their types.

It imports next to nothing, so that help and refusals are quick. A command's module, and with it the
libraries that it needs, is imported once its arguments are right. A command answers no error of
the user's itself: `main` makes a sentence of whatever `CabinetwatchError` it raises.
"""

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, NamedTuple, NoReturn

from cabinetwatch.cli import terminal as kind
from cabinetwatch.cli.terminal import Known
from cabinetwatch.text import UsageError
from cabinetwatch.watch.trials import PHASES


class Argument(NamedTuple):
    """One argument: its name, how it is read with the configuration, what argparse is told."""

    name: str
    known: Known | None
    options: Mapping[str, Any]


OneOf = tuple[Argument, ...]
"""Just one of these must be given."""


class Command(NamedTuple):
    """A command, or a deed of one: what it does in a line, its function, its arguments.

    `run` is MODULE:FUNCTION. `config`: the configuration is `loaded` before the command runs, only
    `named`, since the command loads it, or not taken at all. `manual`: the topic that tells more.
    `deeds`: what they are called, and each by its name.
    """

    help: str
    run: str
    takes: tuple[Argument | OneOf, ...]
    manual: str = "commands"
    config: Literal["loaded", "named", "none"] = "loaded"
    description: str | None = None
    epilog: str | None = None
    deeds: tuple[str, Mapping[str, "Command"]] | None = None


def command(text: str, run: str, *takes: Argument | OneOf, **more: Any) -> Command:
    """Write a command."""
    return Command(text, run, takes, **more)


def arg(usage: str, reads: Any, text: str, **more: Any) -> Argument:
    """Write an argument by its usage: --NAME, =KEY where it is handed on by another, its values.

    ?, * or + at the end: at most one value, any number, at least one. `reads` gives what its text
    says, or is the words that there are to choose from.
    """
    names, *metavars = usage.rstrip("?*+").split()
    name, _, dest = names.partition("=")
    known = reads if isinstance(reads, Known) else None
    options = {
        "type": reads if callable(reads) else None,
        "choices": reads if isinstance(reads, tuple) and not known else None,
        "metavar": metavars[0] if len(metavars) == 1 else tuple(metavars) or None,
        "nargs": len(metavars) if len(metavars) > 1 else usage[-1] if usage[-1] in "?*+" else None,
        "dest": dest or None,
    }
    given = {key: value for key, value in options.items() if value is not None}
    return Argument(name, known, {"help": text, **given, **more})


def flag(name: str, text: str) -> Argument:
    """Write an option that is there or not."""
    return Argument(name, None, {"action": "store_true", "help": text})


def one_of(*arguments: Argument) -> OneOf:
    """Write arguments of which just one must be given."""
    return arguments


def between(from_help: str, to_help: str) -> tuple[Argument, Argument]:
    """Write --from and --to."""
    return (
        arg("--from=from_utc_ms TIME", kind.instant, from_help),
        arg("--to=to_utc_ms TIME", kind.instant, to_help),
    )


_JSON = flag("--json", "print JSON, for programs")
_ALARM = arg("id ID", None, "the alarm's ID, as notices and `alarms` show it")
_SINCE = "(RFC 3339, such as 2026-07-01T12:00:00Z"
_FOR = arg(
    "--for=for_s TIME",
    kind.duration("--for"),
    "stop by itself after this time: a number with s, m, h or d, such as 30s",
)
_TERMS = (
    arg(
        "--accept-margin=accept_margin_k K",
        kind.positive,
        "the hot-day margin asked for, in K (default: 5)",
        default=5.0,
    ),
    arg(
        "--energy=energy_ev EV",
        kind.positive,
        "activation energy for life, in eV (default: 0.7)",
        default=0.7,
    ),
)
_TRIAL = arg("name NAME", None, "the trial")
_TRIAL_DEEDS = {
    "begin": command(
        "begin a trial of a device",
        "cli.trial:begin",
        arg("name NAME", kind.trial_name, "a name for it, such as slow-fan"),
        arg("--device ID", kind.device_to("compare"), "the device", required=True),
        arg("--change TEXT", kind.said("--change"), "what will be changed", required=True),
    ),
    "phase": command(
        "enter a phase: zero (device off), before, change (cover off), after",
        "cli.trial:enter",
        _TRIAL,
        arg("phase", PHASES, "the phase that begins now"),
    ),
    "end": command(
        "end a trial, and put its setpoints to work if asked to",
        "cli.trial:end",
        _TRIAL,
        flag(
            "--apply",
            "write the setpoints that follow into the configuration, after showing the difference,"
            " and have the running watch read them",
        ),
        *_TERMS,
    ),
    "list": command("all trials, and how far the open ones are", "cli.trial:show_all", _JSON),
    "report": command(
        "figures, verdict and setpoints",
        "cli.trial:report",
        arg("name NAME?", None, "a trial that was begun with `trial begin`"),
        arg("--device ID", kind.device_to("compare"), "after the fact: the device"),
        *(
            arg(
                f"--{phase} INTERVAL",
                kind.interval(f"--{phase}"),
                f"after the fact: the {phase} phase{needed}, an ISO 8601 interval such as"
                " 2026-07-01T18:00:00Z/2026-07-01T20:00:00Z or 2026-07-01T18:00:00Z/PT2H",
            )
            for phase, needed in (("before", ""), ("after", ""), ("zero", " (optional)"))
        ),
        arg(
            "--recording FILE",
            Path,
            "after the fact: read a recording, or CSV of time,sensor,value, and not the store",
        ),
        _JSON,
        arg("--html FILE", Path, "write the report as one HTML page as well"),
        *_TERMS,
    ),
}


def _sum(text: str, *takes: Argument | OneOf) -> Command:
    answer = flag("--json", "print the answer as JSON")
    described = f"{text[0].upper()}{text[1:]}."
    return command(text, "cli.calc:run", *takes, answer, config="none", description=described)


_CALCULATIONS = {
    "fan": _sum(
        "a resistor in series with a DC fan: its value, and what the fan does behind it",
        arg("--supply V", kind.positive, "voltage of the supply", required=True),
        one_of(
            arg("--rated V A", kind.positive, "what the fan's label says"),
            arg(
                "--measured V1 A1 V2 A2",
                kind.positive,
                "better: its current measured at two voltages",
            ),
        ),
        one_of(
            arg("--voltage V", kind.positive, "wanted voltage at the fan"),
            arg("--speed PERCENT", kind.positive, "wanted speed, %% of that at full supply"),
            arg(
                "--resistor OHM+", kind.positive, "a resistor, or several in series, to reckon with"
            ),
        ),
        arg("--series", ("E12", "E24"), "preferred values (default: E24)", default="E24"),
        arg("--start V", kind.positive, "the voltage at which it starts, if measured"),
    ),
    "airflow": _sum(
        "the flow of air for a heat load and a permitted rise, or the rise for a flow",
        arg("--heat W", kind.positive, "heat in W", required=True),
        one_of(
            arg("--rise K", kind.positive, "permitted rise of the air in K"),
            arg("--flow-m3h FLOW", kind.positive, "a flow in m3/h"),
            arg("--flow-cfm FLOW", kind.positive, "a flow in ft3/min"),
        ),
        arg("--altitude M", kind.number, "height above the sea (default: 0)", default=0.0),
        arg("--air C", kind.number, "air at the fan, °C (default: 20)", default=20.0),
    ),
    "life": _sum(
        "how life changes from one temperature to another, as ratios",
        arg("--from=from_c C", kind.temperature, "before, °C", required=True),
        arg("--to=to_c C", kind.temperature, "after, °C", required=True),
        arg("--energy EV", kind.positive, "activation energy in eV (default: 0.7)", default=0.7),
        arg(
            "--capacitor HOURS AT_C",
            kind.positive,
            "an electrolytic capacitor's rated life, and the temperature it is rated for",
        ),
        arg(
            "--bearing HOURS AT_C",
            kind.positive,
            "a fan bearing's rated life, and the temperature it is rated for",
        ),
    ),
    "sound": _sum(
        "the level of several sources, a mean, a level without background, a change of fan speed",
        one_of(
            arg("--add DB+", kind.level, "levels of sources that sound together"),
            arg(
                "--mean DB:TIME+",
                kind.timed_level,
                "levels with how long each lasts, such as 40:15m 30:45m",
            ),
            arg(
                "--background TOTAL_DB BACKGROUND_DB",
                kind.level,
                "a level and the background in it, measured with the source off",
            ),
            arg("--speed FROM_RPM TO_RPM", kind.positive, "a fan's speed before and after"),
        ),
    ),
    "dew-point": _sum(
        "the dew point of air, and how near a surface is to it",
        arg("--temperature C", kind.number, "of the air, °C", required=True),
        arg("--humidity PERCENT", kind.number, "relative humidity, %%", required=True),
        arg("--surface C", kind.number, "temperature of the coldest surface, °C"),
    ),
}

COMMANDS: dict[str, Command] = {
    "demo": command(
        "show the whole job in a minute and a half, on this machine alone",
        "cli.demo:run",
        arg(
            "--out DIR",
            Path,
            "folder for mails, database and configuration (default: demo-output)",
            default=Path("demo-output"),
        ),
        config="none",
        manual="install",
    ),
    "listen": command(
        "show what arrives from the broker, and draft the tables for it",
        "cli.check:listen",
        arg("filters FILTER*", kind.topic_filter, "the topic filters to listen to (default: #)"),
        arg("--out FILE", Path, "write the draft there; the file must be new"),
        _FOR,
        description="Show what arrives from the broker until Ctrl-C, then draft sensor tables for"
        " it and a device table for each temperature. When its output is no terminal, all of it is"
        " TOML: what arrived is in comments.",
        manual="sensors",
    ),
    "record": command(
        "write what arrives from the broker to a recording",
        "cli.check:record",
        arg("file FILE", Path, "the recording; what it holds already is kept"),
        arg(
            "--topic=topics FILTER",
            kind.topic_filter,
            "record this topic filter instead of the configured sensors' topics; may be repeated",
            action="append",
            default=[],
        ),
        _FOR,
        manual="backup",
    ),
    "check": command(
        "check the configuration, then try broker, mail and store",
        "cli.check:run",
        flag("--send", "send a test notice through every channel"),
        arg(
            "--listen=listen_s TIME",
            kind.duration("--listen"),
            "hear each sensor once, for this time at most: a number with s, m, h or d, such as 30s",
        ),
        manual="install",
    ),
    "run": command(
        "run the watch",
        "cli.services:run",
        flag("--verbose", "log also what is only of use when looking for faults"),
        config="named",
        manual="install",
    ),
    "status": command(
        "show what is on and what to do, devices and their figures",
        "cli.look:status",
        _JSON,
        flag("--follow", "show it anew every two seconds, until Ctrl-C"),
        manual="alarms",
    ),
    "alarms": command(
        "show active alarms, and the history of all",
        "cli.look:alarms",
        _JSON,
        arg("--limit N", kind.limit, "the number of newest transitions (default 50)", default=50),
        manual="alarms",
    ),
    "ack": command(
        "say that you have seen it: an incident, an alarm, all of a device",
        "cli.look:ack",
        one_of(
            arg("id ID?", None, "of an incident, an alarm, a device or a sensor"),
            flag("--all", "everything that waits to be acknowledged"),
        ),
        manual="alarms",
    ),
    "shelve": command(
        "silence an alarm for a time",
        "cli.look:shelve",
        _ALARM,
        arg(
            "--for=for_s TIME",
            kind.later("service.publisher:shelving_s"),
            "how long: a number with s, m, h or d, such as 2h; at most 30d, or 12h of a high one",
            required=True,
        ),
        arg("--reason", kind.said("--reason"), "why, for whoever asks later", required=True),
        manual="alarms",
    ),
    "unshelve": command(
        "take an alarm off the shelf", "cli.look:unshelve", _ALARM, manual="alarms"
    ),
    "service": command(
        "take a device or sensor out of service, or back in",
        "cli.look:service",
        arg("subject SUBJECT", Known(kind.known_subject), "a device, a sensor, or site"),
        arg("way out|in", ("out", "in"), "out of service, or back in"),
        arg(
            "--for=for_s TIME",
            kind.later("service.publisher:service_s"),
            "how long it stays out, such as 4h",
        ),
        arg("--reason", kind.said("--reason"), "why, for whoever asks later"),
        manual="alarms",
    ),
    "page": command(
        "write or show the page that says whether all is well",
        "cli.reports:page",
        one_of(
            arg("--out DIR", Path, "write the page into a folder, once"),
            arg("--serve HOST:PORT", kind.address, "show the page over HTTP, until Ctrl-C"),
        ),
        arg(
            "--every=every_s SECONDS",
            kind.every,
            "with --out: write it again and again, until Ctrl-C",
        ),
        arg(
            "--parent PID",
            int,
            "with --every: end some time after this process, which started this one",
        ),
        flag("--charts", "with --out: draw the pictures only, in the background"),
        arg("--store URL", None, "read this store, and go by the configuration in force there"),
        config="named",
        manual="page",
    ),
    "trial": command(
        "prove a change of cooling: before, change, after, verdict",
        "",
        deeds=("deed", _TRIAL_DEEDS),
        manual="trials",
    ),
    "note": command(
        "log what somebody did to the cabinet",
        "cli.look:note",
        arg("text TEXT", kind.note, 'what was done, such as "cleaned the filter"'),
        arg("--device ID", Known(kind.known_device), "to which device (default: to all)"),
        arg("--at=at_utc_ms TIME", kind.instant, f"when {_SINCE}; default: now)"),
        manual="learning",
    ),
    "calc": command(
        "the bench sums behind a change: fan, airflow, life, sound, dew point",
        "",
        config="none",
        deeds=("calculation", _CALCULATIONS),
        manual="trials",
    ),
    "summary": command(
        "show, write or mail the summary of a week",
        "cli.reports:summary",
        arg(
            "--week YEAR-WNN",
            kind.later("report.summary_week:IsoWeek.parse"),
            "an ISO week, such as 2026-W47 (default: the newest that is over)",
        ),
        arg("--out DIR", Path, "write the mail, its HTML, text and pictures there"),
        flag("--send", "mail it, to those whom the weekly mail goes to"),
        manual="page",
    ),
    "learn": command(
        "learn a device's normal rise and response again, after a change",
        "cli.look:learn",
        arg("device DEVICE", kind.device_to("learn"), "the device, by its ID"),
        *between(
            f"learn at once from what the store holds from this time on {_SINCE}); without an"
            " interval it learns from now on",
            "up to before this time",
        ),
        flag("--verified", "you have seen every fan of the device turn: it is verified"),
        flag("--anyway", "learn although an alarm on its heat is active"),
        manual="learning",
    ),
    "replay": command(
        "run the engine over a recording or over the store",
        "cli.data:replay",
        arg("recording RECORDING?", Path, "a recording; without one, everything in the store"),
        *between("show only from here on", "up to before this time"),
        arg(
            "--set=changes KEY=VALUE",
            kind.later("service.offline:parse_change"),
            "try another setting, such as devices.nas.max_rise_k=22; may be given again",
            action="append",
            default=[],
        ),
        flag(
            "--compare",
            "show on standard error what --set changes against the settings as they were",
        ),
        manual="alarms",
    ),
    "export": command(
        "write the readings to standard output",
        "cli.data:export",
        arg(
            "--format",
            ("csv", "jsonl"),
            "csv: time,sensor,value; jsonl: the same and the quality, an object a line; both with"
            " the tier where minutes stand for readings that are gone (default: csv)",
            default="csv",
        ),
        *between(f"from this time on {_SINCE})", "up to before this time"),
        arg(
            "--sensor=sensors ID",
            None,
            "only this sensor; may be given more than once",
            action="append",
            default=[],
        ),
        manual="backup",
    ),
    "import": command(
        "take readings from a file into the store",
        "cli.data:import_file",
        arg(
            "file FILE",
            Path,
            "CSV (time,sensor,value; values are taken as corrected), the JSON Lines of export, or"
            " a recording",
        ),
        manual="backup",
    ),
    "backup": command(
        "copy the store while the watch goes on, and verify the copy",
        "cli.data:backup",
        arg("file FILE", Path, "the copy; it may be used as a store"),
        flag("--force", "replace FILE if it is there already"),
        manual="backup",
    ),
    "restore": command(
        "put a backup in the place of the store",
        "cli.data:restore_backup",
        arg("file FILE", Path, "what `backup` wrote; it is kept"),
        epilog="Stop the watch first. The store that is there is kept under a dated name beside"
        " it, with its log; do not copy a backup over the store yourself: the log left there would"
        " spoil it.",
        manual="backup",
    ),
    "prune": command(
        "delete data past its retention time, now",
        "cli.data:prune",
        epilog="The retention times are in [store]. The watch prunes by itself; this does it now,"
        " and gives all free space in the file back to the disk.",
        manual="backup",
    ),
    "guard": command(
        "on a second computer: mail when the watch is gone, and when it is back",
        "cli.services:guard",
        arg(
            "--after=after_s TIME",
            kind.duration("--after"),
            "mail when the watch has not been heard for this long: a number with s, m, h or d"
            " (default: 3m; it is heard every 30 s; at least 1m)",
            default=180.0,
        ),
        config="named",
        manual="guard",
    ),
    "failed": command(
        "mail that the service has failed, at most once an hour; for systemd",
        "cli.services:failed",
        arg(
            "--unit NAME",
            None,
            "the unit that has failed (default: cabinetwatch.service)",
            default="cabinetwatch.service",
        ),
        arg(
            "--stamp FILE",
            Path,
            "a file that remembers when it was last mailed; best below /run",
            required=True,
        ),
        arg(
            "--for=for_s TIME",
            kind.duration("--for"),
            "go on trying for this long: a number with s, m, h or d (default: 15m)",
            default=900.0,
        ),
        config="named",
        manual="guard",
    ),
    "clear": command(
        "take the watch's retained topics and session off the broker",
        "cli.services:clear",
        manual="install",
    ),
    "manual": command(
        "show the manual: its topics, or one of them",
        "cli.terminal:manual",
        arg("topic TOPIC?", None, "which; without one, the list of them"),
        config="none",
    ),
}


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are one sentence."""

    def error(self, message: str) -> NoReturn:
        """Refuse the arguments."""
        raise UsageError(f"{self.prog}: {message}; {self.prog} --help shows what it takes")


def parser_of(name: str) -> Parser:
    """Make the parser of a command; what it gives names the `command` or deed that was asked for.

    What is read with the configuration waits in `known`, by key.
    """
    command = COMMANDS[name]
    described = command.description or f"{command.help[0].upper()}{command.help[1:]}."
    parser = Parser(
        prog=f"cabinetwatch {name}",
        description=described,
        epilog=f"{command.epilog or ''} {_more(command)}".strip(),
        # Abbreviated options would change their meaning when a new one comes.
        allow_abbrev=False,
    )
    config: dict[str, Any] = {"dest": "config_file", "metavar": "FILE", "type": Path}
    if command.config != "none":
        parser.add_argument(
            "--config",
            help="the configuration (default: $CABINETWATCH_CONFIG, then ./config.toml, then"
            " cabinetwatch/config.toml in $XDG_CONFIG_HOME or ~/.config, then"
            " /etc/cabinetwatch/config.toml); root takes only files that are root's",
            **config,
        )
    if command.deeds is None:
        _add(parser, command)
        return parser
    called, deeds = command.deeds
    under = parser.add_subparsers(
        dest=called, metavar=called.upper(), required=True, title=f"{called}s"
    )
    for name_of_deed, deed in deeds.items():
        one = under.add_parser(
            name_of_deed, help=deed.help, description=deed.description, epilog=_more(command)
        )
        _add(one, deed)
        if command.config != "none":
            # Also behind the deed; left out there, what stands before it counts.
            hidden = argparse.SUPPRESS
            one.add_argument("--config", default=hidden, help=hidden, **config)
    return parser


def _more(command: Command) -> str:
    return f"`cabinetwatch manual {command.manual}` tells more."


def _add(parser: argparse.ArgumentParser, command: Command) -> None:
    known = {}
    for each in command.takes:
        group: Any = parser
        if not isinstance(each, Argument):
            group = parser.add_mutually_exclusive_group(required=True)
        for argument in (each,) if isinstance(each, Argument) else each:
            action = group.add_argument(argument.name, **argument.options)
            if argument.known is not None:
                known[action.dest] = argument.known.read
    parser.set_defaults(command=command, known=known)
