"""Drafts sensor and device tables for what was heard: TOML that `check` accepts as it stands."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.config.sensors import DEFAULT_INTERVAL_S, Sensor
from cabinetwatch.intake import topics
from cabinetwatch.intake.excerpt import excerpt
from cabinetwatch.intake.guess import AMBIENT_WORDS, Guess, guess, words_of
from cabinetwatch.intake.survey import Heard, Source
from cabinetwatch.text import counted

QOS_0 = "comes at QoS 0, which no broker keeps: what it says while the watch is away is lost"
RETAINED = "only a retained message came: the broker's copy of a last known value"
_LONGEST_ID = 60
# Words that name the quantity and not the place where it is measured.
_QUANTITY_WORDS = frozenset(
    [
        "temperature",
        "temp",
        "humidity",
        "power",
        "fan",
        "speed",
        "sound",
        "level",
        "rpm",
        "state",
        "value",
        "status",
        "sensor",
    ]
)
_ROLES = {"power": "power", "fan-speed": "fan", "sound-level": "sound"}


@dataclass(frozen=True, slots=True)
class Drafted:
    """A sensor as it is proposed."""

    id: str
    heard: Heard
    source: Source
    guess: Guess

    @property
    def place(self) -> tuple[str, ...]:
        """The words that tell where it is, without what it measures."""
        return tuple(word for word in self._words() if word not in _QUANTITY_WORDS)

    @property
    def may_be_ambient(self) -> bool:
        """Whether its name says that it measures the air around things."""
        return not AMBIENT_WORDS.isdisjoint(self._words())

    def _words(self) -> list[str]:
        named = self.source.senml_name or self.source.pointer or ""
        return words_of(self.heard.topic) + words_of(named)


def draft(heard: Iterable[Heard], config: Config) -> str:
    """Write the tables for what was heard and is not configured yet, as TOML.

    What could not be guessed, or is configured already, stands in comments. IDs don't collide with
    those of the configuration, so that the draft can be appended to it.
    """
    taken = {SITE_SUBJECT, *config.sensors, *config.devices}
    drafted: list[Drafted] = []
    remarks: list[str] = []
    for topic in sorted(heard, key=lambda one: one.topic):
        if topics.matches(f"{config.mqtt.publish_under}/#", topic.topic):
            continue
        _draft_topic(topic, config.sensors, taken, drafted, remarks)
    parts = [_sensor_table(one) for one in drafted]
    parts += _device_tables(drafted, taken)
    if remarks:
        parts.append("\n".join(["# Not drafted:", *(f"# {remark}" for remark in remarks)]))
    return "\n\n".join(parts) + "\n" if parts else ""


def _draft_topic(
    heard: Heard,
    configured: Mapping[str, Sensor],
    taken: set[str],
    drafted: list[Drafted],
    remarks: list[str],
) -> None:
    """Add the sensors of one topic, or the reason why there is none."""
    shown = excerpt(heard.topic)
    sources = heard.sources()
    if not sources:
        remarks.append(f"{shown}: no number in '{heard.shown}'")
    for source in sources:
        name = source.senml_name or source.pointer
        where = shown if name is None else f"{shown} {excerpt(name)}"
        known = _configured_as(heard.topic, source, configured)
        guessed = guess(heard.topic, source)
        if not _is_writable(name):
            remarks.append(f"{where}: half a character stands in its name, which TOML can't hold")
        elif known is not None:
            remarks.append(f"{where}: it is [sensors.{known}] already")
        elif guessed is None:
            remarks.append(f"{where}: {source.value:zg}, not known what it measures")
        else:
            identity = _new_id(heard.topic, source, taken)
            drafted.append(Drafted(identity, heard, source, guessed))


def _is_writable(name: str | None) -> bool:
    """Whether TOML can hold it: JSON can name half a surrogate pair, TOML only whole characters."""
    return name is None or not any(0xD800 <= ord(letter) < 0xE000 for letter in name)


def _configured_as(topic: str, source: Source, configured: Mapping[str, Sensor]) -> str | None:
    for name, sensor in configured.items():
        same = (sensor.pointer, sensor.senml_name) == (source.pointer, source.senml_name)
        if same and topics.matches(sensor.topic, topic):
            return name
    return None


def _new_id(topic: str, source: Source, taken: set[str]) -> str:
    words: list[str] = []
    for word in words_of(topic) + words_of(source.senml_name or source.pointer or ""):
        if word.isascii() and word not in words:
            words.append(word)
    return _free_id("-".join(words)[-_LONGEST_ID:].strip("-") or "sensor", taken)


def _free_id(wanted: str, taken: set[str]) -> str:
    identity, number = wanted, 2
    while identity in taken:
        identity, number = f"{wanted}-{number}", number + 1
    taken.add(identity)
    return identity


def _sensor_table(one: Drafted) -> str:
    heard, source = one.heard, one.source
    lines = []
    if heard.live and not heard.qos:
        lines.append(f"# It {QOS_0}.")
    if not heard.live:
        lines.append(f"# Of this one {RETAINED}.")
    lines += [f"[sensors.{one.id}]", f"topic = {toml_text(heard.topic)}"]
    if source.pointer is not None:
        lines.append(f"pointer = {toml_text(source.pointer)}")
    if source.senml_name is not None:
        lines.append(f"senml_name = {toml_text(source.senml_name)}")
    lines.append(f'quantity = "{one.guess.quantity}"')
    lines.append(f'unit = "{one.guess.unit}"  # it said {source.value:zg}')
    interval_s = heard.interval_s()
    if interval_s:
        seen = f"measured over {counted(len(heard.gaps_ms) + 1, 'message')}"
        lines.append(f"interval_s = {_rounded(interval_s)}  # {seen}")
    else:
        lines.append(f"interval_s = {DEFAULT_INTERVAL_S}  # not measured: it was heard too briefly")
    return "\n".join(lines)


def _device_tables(drafted: list[Drafted], taken: set[str]) -> list[str]:
    """Give a device for each temperature; its ambient is guessed among the others."""
    temperatures = [one for one in drafted if one.guess.quantity == "temperature"]
    named = [one for one in temperatures if one.may_be_ambient]
    ambient = named[0] if named else None
    tables = []
    for one in temperatures:
        words = one.id.removesuffix("-temperature").removesuffix("-temp")
        identity = _free_id(words if words != one.id else f"{one.id}-device", taken)
        lines = [f"[devices.{identity}]", f'temperature = "{one.id}"']
        if one is ambient:
            lines.insert(0, "# Taken for the air around the others; no device if it is only that.")
        else:
            lines += _ambient_lines(ambient, temperatures, one)
        lines += _companions(one, temperatures, drafted)
        lines.append("# max_rise_k = 25.0  # a setpoint, or derating: see the maker's data")
        tables.append("\n".join(lines))
    return tables


def _ambient_lines(ambient: Drafted | None, temperatures: list[Drafted], one: Drafted) -> list[str]:
    if ambient is not None:
        return [f'ambient = "{ambient.id}"  # guessed by its name']
    others = [other for other in temperatures if other is not one]
    if not others:
        return ['# ambient = "..."  # no second temperature came; without it no rise is known']
    coolest = min(others, key=lambda other: other.source.value)
    if coolest.source.value >= one.source.value:
        return [f'# ambient = "{coolest.id}"  # this is the coolest: perhaps it is the ambient']
    return [f'ambient = "{coolest.id}"  # guessed: the coolest of the others; put it right']


def _companions(one: Drafted, temperatures: list[Drafted], drafted: list[Drafted]) -> list[str]:
    """Give its power, fan and sound sensors: those whose names tell of the very same place."""
    if sum(other.place == one.place for other in temperatures) > 1:
        return []
    lines = []
    for quantity, role in _ROLES.items():
        fitting = [
            other
            for other in drafted
            if other.guess.quantity == quantity and other.place == one.place
        ]
        if len(fitting) == 1:
            lines.append(f'{role} = "{fitting[0].id}"')
    return lines


def toml_text(text: str) -> str:
    """Write a TOML basic string; what a terminal could take for a command is escaped."""
    escaped = "".join(
        f"\\{letter}"
        if letter in '"\\'
        else letter
        if letter.isprintable()
        else f"\\u{ord(letter):04X}"
        if ord(letter) < 0x10000
        else f"\\U{ord(letter):08X}"
        for letter in text
    )
    return f'"{escaped}"'


def _rounded(interval_s: float) -> float:
    """Round to two significant digits, as nobody sets a node to 9.98 s; at least 0.001."""
    digits = 1 - math.floor(math.log10(max(interval_s, 0.001)))
    return max(round(interval_s, digits), 0.001)
