"""The page's folder with its pictures, and what the page says: the present of the store in words.

What it says is a mapping for the template `page.html.j2`, which alone knows how it looks; a row
there is a mapping, too. Free of numpy: the watch's own page is written all day long.
"""

import json
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NamedTuple

from cabinetwatch import __version__
from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Site
from cabinetwatch.notify.mail import (
    card_of,
    degree,
    display_names,
    label,
    learning_words,
    predicate,
    told_in_short,
    written,
)
from cabinetwatch.report.summary_week import KINDS, WEEK_MS, history_of
from cabinetwatch.report.words import (
    UNKNOWN,
    Hidden,
    Present,
    hidden_words,
    last_known,
    number,
    present_of,
    short_time,
    subjects_of,
)
from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.replay import Snapshot, snapshot_of
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import (
    TemperatureUnit,
    beside,
    counted,
    describe_duration,
    from_rfc3339,
    typeset,
)
from cabinetwatch.watch.conditions import CONDITIONS, base
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Account, AlarmState
from cabinetwatch.watch.trials import CHANGED, TrialRecord

INDEX = "index.html"
ICON = "icon.svg"
CHARTS = "charts"
MANIFEST = "charts.json"

_READERS = 0o044
_UNFINISHED = ".new"
_ABANDONED_AFTER_S = 600.0


class Span(NamedTuple):
    """A length of time that has a picture of each device.

    It is drawn anew once it is `redraw_s` old. Its stretches of `step_ms` are few enough that, over
    many days, the swing of each becomes the band of its day.
    """

    key: str
    label: str
    words: str
    length_ms: int
    step_ms: int
    redraw_s: float


_MINUTE_MS = 60_000
_HOUR_MS = 60 * _MINUTE_MS

SPANS = (
    Span("6h", "6 h", "last 6 hours", 6 * _HOUR_MS, 2 * _MINUTE_MS, 0),
    Span("24h", "24 h", "last 24 hours", DAY_MS, 10 * _MINUTE_MS, 0),
    Span("7d", "7 days", "last 7 days", 7 * DAY_MS, _HOUR_MS, 1800),
    Span("90d", "90 days", "last 90 days", 90 * DAY_MS, DAY_MS, 10800),
)


@cache
def can_draw() -> bool:
    """Whether what draws is installed here: the extra `reports`. All else does without."""
    return find_spec("matplotlib") is not None


def chart_name(device_id: str, span: Span) -> str:
    """Give the name of the file of a device's picture."""
    return f"{device_id}-{span.key}.svg"


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """Give what each picture in a page's folder shows, by the name of its file."""
    try:
        listed = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return listed if isinstance(listed, dict) else {}


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file so that who reads it gets the old one or the new one, whole.

    Its readers are its folder's: a folder that a web server may read was given to it on purpose.

    Raises:
        OSError: the file can't be written; the old one is as it was.
    """
    descriptor, name = tempfile.mkstemp(prefix=".", suffix=_UNFINISHED, dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            os.fchmod(file.fileno(), 0o600 | path.parent.stat().st_mode & _READERS)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def drop_abandoned(folder: Path) -> None:
    """Delete what writers that were killed have left half written: in memory it would add up.

    Raises:
        OSError: something can't be deleted.
    """
    for path in folder.glob(f".*{_UNFINISHED}"):
        try:
            age_s = time.time() - path.stat().st_mtime
        except FileNotFoundError:
            continue
        if age_s > _ABANDONED_AFTER_S:
            path.unlink(missing_ok=True)


_MOST_NOTICES = 20
_FAR_DAYS = 3650.0
"""Room for longer than the tiers are kept is room enough."""

_STEADY_K = 0.5
"""A rise that settles less than this away from where it is counts as settled."""


Charts = Mapping[str, Mapping[str, Any]]
"""What each picture shows, by the name of its file."""


def page_of(
    engine: Engine,
    store: Store,
    clock: Clock,
    charts: Charts,
    every_s: float | None,
    *,
    acts: bool = False,
) -> dict[str, Any]:
    """Put the present of an engine that has followed the store into words.

    The page is written anew every `every_s`; None: it is a record of this moment. `acts`: whether
    it leads to where people can act on an incident.
    """
    config, now_utc_ms = engine.config, clock.utc_ms()
    snapshot, zone = snapshot_of(engine, store, clock), config.site.timezone
    present = present_of(snapshot, config, now_utc_ms)
    as_of_ms, unit = present.as_of_ms, config.site.temperature_unit
    return {
        **_top(present, config, now_utc_ms, acts=acts),
        "hidden_words": hidden_words(present.hidden),
        "written_utc_ms": now_utc_ms,
        "figures_of": UNKNOWN if as_of_ms is None else short_time(as_of_ms, zone, "%H:%M:%S"),
        "date": short_time(as_of_ms or now_utc_ms, zone, "%a %-d %b %Y, %Z"),
        "refresh_s": 0 if every_s is None else max(1, round(every_s)),
        "incidents": [
            _incident(each, present, config, now_utc_ms) for each in (*present.on, *present.over)
        ],
        "hidden": [_hidden(each, present, now_utc_ms, zone) for each in present.hidden],
        "units": (
            f"All in {unit.symbol}."
            if unit.symbol == unit.of_difference
            else f"Temperatures in {unit.symbol}, the rest in {unit.of_difference}."
        ),
        "devices": [
            _device(each, present, last_known(each, figures, present, store), config, charts)
            for each, figures in snapshot.devices.items()
        ],
        "sensors": [
            _sensor(sensor_id, figures, unit, now_utc_ms)
            for sensor_id, figures in snapshot.sensors.items()
        ],
        "notices": _notices(store, config, now_utc_ms),
        "watch": _watch(snapshot, store, config, now_utc_ms),
        "spans": SPANS if can_draw() else (),
    }


def incident_of(present: Present, config: Config, now_utc_ms: int, incident: str) -> dict[str, Any]:
    """Put one incident into words, as `page_of` puts all; `incident` is None once it is gone."""
    known = (*present.on, *present.snapshot.incidents)
    account = next((each for each in known if each.id == incident), None)
    return {
        **_top(present, config, now_utc_ms, acts=False),
        "incident": account and _incident(account, present, config, now_utc_ms),
    }


def _top(present: Present, config: Config, now_utc_ms: int, *, acts: bool) -> dict[str, Any]:
    """Give what is shown around every incident."""
    zone, as_of_ms = config.site.timezone, present.as_of_ms
    return {
        "site": present.snapshot.site,
        "present": present,
        "written": short_time(now_utc_ms, zone, "%H:%M:%S"),
        "last_known": "" if as_of_ms is None else beside(as_of_ms, now_utc_ms, zone),
        "acts": acts,
    }


def _incident(
    account: Account, present: Present, config: Config, now_utc_ms: int
) -> dict[str, Any]:
    zone = config.site.timezone
    return {
        "account": account,
        "card": card_of(account, account.time_ms, config),
        "is_last_known": present.is_last_known(account),
        "ended": "" if account.over_ms is None else beside(account.over_ms, now_utc_ms, zone),
        "told": present.told(account, now_utc_ms, zone),
    }


def _hidden(hidden: Hidden, present: Present, now_utc_ms: int, zone: str) -> dict[str, Any]:
    """Lay out what is hidden, and what somebody said to it; `incident` is what takes it back."""
    alarms = {each.id for each in hidden.alarms}
    known = present.snapshot.incidents if hidden.state is not AlarmState.SUPPRESSED else ()
    of_it = (each for each in known if not alarms.isdisjoint(each.alarms))
    return {
        "words": hidden.words,
        "state": hidden.state.value.replace("-", " "),
        "incident": next((each.id for each in of_it if each.state == hidden.state), ""),
        # A device goes out of service with all of its alarms, and none has more to say of it.
        "told": dict.fromkeys(
            (beside(each.utc_ms, now_utc_ms, zone), "" if hidden.is_out else each.id, each.text)
            for each in hidden.alarms
        ),
    }


def _device(
    device_id: str, present: Present, known: Mapping[str, Any], config: Config, charts: Charts
) -> dict[str, Any]:
    """Lay out a device: what it is at now, and `known` of it last where that is nothing."""
    figures = _without_the_vague(present.snapshot.devices[device_id])
    known = _without_the_vague(known)
    tone, words = _worst(device_id, present, config)
    arrow, heading_word = _direction(figures["rise_k"], figures.get("settled_rise_k"))
    unit = config.site.temperature_unit
    return {
        "id": device_id,
        "figures": figures,
        "cells": {
            key: typeset(number(known[key], convert))
            for key, convert in (
                ("temperature_c", unit.from_c),
                ("rise_k", unit.from_k),
                ("settled_rise_k", unit.from_k),
                ("margin_k", unit.from_k),
            )
        },
        "tone": tone,
        "alarm": words,
        "arrow": arrow,
        "heading_word": heading_word,
        "reach": _reach(figures),
        "more": [
            (key, label(key), _more(key, known, config.site))
            for key in figures
            if key not in {"name", "settled_rise_sd_k"}
        ],
        "charts": [
            _chart(chart_name(device_id, span), span, config.site.timezone, charts)
            for span in SPANS
            if can_draw()
        ],
    }


def _without_the_vague(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    """Leave out where a device is settling while that can hardly be told."""
    settled_k, sd_k = figures.get("settled_rise_k"), figures.get("settled_rise_sd_k")
    if settled_k is None or sd_k is None or not base.is_vague(settled_k, sd_k):
        return figures
    return {**figures, "settled_rise_k": None}


def _worst(device_id: str, present: Present, config: Config) -> tuple[str, str]:
    """Give tone and words of the worst incident of a device or of a sensor of its own."""
    name = f"{config.name_of(device_id)}: "
    subjects = subjects_of(device_id, config.devices.get(device_id))
    for account in present.on:
        if subjects.isdisjoint(account.subjects):
            continue
        words = account.headline.removeprefix(name)
        if words == account.headline:
            # It is of others as well: what it is to this one says one of its own alarms.
            standing = present.snapshot.standing
            own = (each for each in standing if each.id in account.alarms)
            words = next((predicate(each) for each in own if each.subject in subjects), words)
        return account.priority.value, f"{degree(account)}: {words}"
    # What hides the alarms of the device itself is said: it would pass for well.
    hidden = present.hides(device_id)
    if hidden is None:
        return "", ""
    return "hidden", "out of service" if hidden.is_out else f"hidden: {predicate(hidden.alarms[0])}"


def _direction(rise_k: float | None, settled_rise_k: float | None) -> tuple[str, str]:
    """Give an arrow and a word for where a rise is heading; both empty while that is unknown."""
    if rise_k is None or settled_rise_k is None:
        return "", ""
    if settled_rise_k > rise_k + _STEADY_K:
        return "↗", "rising"
    if settled_rise_k < rise_k - _STEADY_K:
        return "↘", "falling"
    return "→", "steady"


def _reach(figures: Mapping[str, Any]) -> dict[str, float | None] | None:
    """Give where a temperature stands between its ambient (0) and its threshold (100), for a bar.

    `settled` is where it is heading, None while that is unknown. Both are kept within the bar.
    """
    ambient_c, threshold_c = figures["ambient_c"], figures["threshold_c"]
    temperature_c, settled_k = figures["temperature_c"], figures.get("settled_rise_k")
    if None in {ambient_c, threshold_c, temperature_c} or threshold_c <= ambient_c:
        return None

    height_k: float = threshold_c - ambient_c

    def part(rise_k: float) -> float:
        return round(min(100.0, max(0.0, 100.0 * rise_k / height_k)), 1)

    return {
        "now": part(temperature_c - ambient_c),
        "settled": None if settled_k is None else part(settled_k),
    }


def _more(key: str, figures: Mapping[str, Any], site: Site) -> str:
    value, sd_k = figures[key], figures["settled_rise_sd_k"]
    if key == "learning":
        return learning_words(value, site.timezone)
    if value is None:
        return "unknown"
    if key == "settled_rise_k" and sd_k is not None:
        return base.interval_k(value, sd_k, site.temperature_unit)
    return written(key, value, site.temperature_unit)


def _chart(name: str, span: Span, zone: str, charts: Charts) -> dict[str, Any]:
    """Give a picture of a device; its source is empty while it has not been drawn."""
    entry = charts.get(name)
    if entry is None:
        return {"span": span, "source": ""}
    drawn_ms = entry["drawn_utc_ms"]
    return {
        **entry,
        "span": span,
        # The time in the address has a browser fetch the new one, and no other.
        "source": f"{CHARTS}/{name}?{drawn_ms}",
        "drawn": short_time(drawn_ms, zone),
    }


def _sensor(
    sensor_id: str, figures: Mapping[str, Any], unit: TemperatureUnit, now_utc_ms: int
) -> dict[str, Any]:
    heard, value, quantity = figures["time"], figures["value"], figures["quantity"]
    age_s = None if heard is None else max(0.0, (now_utc_ms - from_rfc3339(heard)) / 1000)
    unreadable = figures["unreadable"]["since_start"]
    return {
        "id": sensor_id,
        "name": figures["name"],
        "quantity": quantity.replace("-", " "),
        "value": UNKNOWN if value is None else base.quantity(value, quantity, unit),
        "state": figures["state"],
        "tone": "" if figures["state"] in {"live", "waiting"} else "medium",
        "unreadable": f"{unreadable} unreadable" if unreadable else "",
        "heard": "never" if age_s is None else f"{describe_duration(age_s)} ago",
    }


def _notices(store: Store, config: Config, now_utc_ms: int) -> list[dict[str, Any]]:
    names = display_names(config)
    # By what stands above them: a device that is taken out of service is told to programs alarm by
    # alarm, and with a line for each nobody would see whether a mail arrived.
    shown: dict[tuple[str, str, str, bool], dict[str, None]] = {}
    for notice, outcome in reversed(store.notices(now_utc_ms - WEEK_MS)):
        told = [
            f"{names.get(each.subject, each.subject)}: {told_in_short(each)}"
            for each in notice.transitions
        ]
        if notice.week is not None:
            told = [f"summary of {notice.week}"]
        row = (
            short_time(notice.utc_ms, config.site.timezone),
            config.notify.called(notice.channel),
            "not tried yet" if outcome is None else outcome.status,
            outcome is not None and (outcome.status == "failed" or outcome.attempts > 1),
        )
        if row not in shown and len(shown) == _MOST_NOTICES:
            break
        shown.setdefault(row, {}).update(dict.fromkeys(told))
    return [
        {"time": time, "channel": channel, "outcome": outcome, "bad": bad, "told": "; ".join(told)}
        for (time, channel, outcome, bad), told in shown.items()
    ]


def _watch(
    snapshot: Snapshot, store: Store, config: Config, now_utc_ms: int
) -> list[tuple[str, str]]:
    running, life, since_ms = "no", UNKNOWN, snapshot.since_utc_ms
    if since_ms is not None:
        running = f"for {describe_duration((now_utc_ms - since_ms) / 1000)}"
    if snapshot.utc_ms is not None:
        life = short_time(snapshot.utc_ms, config.site.timezone)
    connected = "yes" if snapshot.connected else "no"
    if snapshot.session_taken:
        connected = "off and on: another client uses the watch's client ID"
    states = Counter(figures["state"] for figures in snapshot.sensors.values())
    sensors = ", ".join(f"{count} {state}" for state, count in sorted(states.items()))
    history = history_of((entry for _, entry in store.entries(*KINDS)), None)

    def lately(instants: Iterable[int]) -> str:
        return str(sum(utc_ms >= now_utc_ms - WEEK_MS for utc_ms in instants))

    return [
        ("Running", running),
        ("Last sign of life", life),
        ("Connected to the broker", connected),
        ("Sensors", sensors or "none"),
        *((f"Trial {each.name}", _trial(each, config)) for each in snapshot.trials),
        ("Messages that could not be read", _unreadable(snapshot)),
        ("Notices waiting", str(len(store.waiting()))),
        ("Starts in 7 days", lately(utc_ms for utc_ms, _ in history.starts)),
        ("Broker lost in 7 days", lately(history.disconnects)),
        ("Clock steps in 7 days", lately(utc_ms for utc_ms, _ in history.steps)),
        ("Store", _room(snapshot.room)),
        ("Version", __version__),
    ]


def _trial(trial: TrialRecord, config: Config) -> str:
    """Say of what an open trial is, and what nobody is notified of while it lasts."""
    words = f"of {config.name_of(trial.device)} ({trial.change})"
    if trial.phase in CHANGED:
        withheld = [each.predicate for each in CONDITIONS if each.withheld_in_trial]
        words += f"; not reported meanwhile: {', '.join(withheld)}"
    return words


def _unreadable(snapshot: Snapshot) -> str:
    """Say how many messages could not be read, and what was wrong with the last.

    One that should serve two sensors counts for both.
    """
    by_sensor = [figures["unreadable"] for figures in snapshot.sensors.values()]
    last = max(by_sensor, key=lambda each: each["time"] or "", default=None)
    if last is None or last["problem"] is None:
        return "none"
    since, total = (sum(each[key] for each in by_sensor) for key in ("since_start", "total"))
    return f"{since} since the start, {total} in all; the last: {last['problem']}"


def _room(room: Room) -> str:
    """Say how much the store takes, and how long there is room for more."""
    words = f"{room.bytes / 1e6:z.1f} MB"
    if room.growth_bytes_per_day is not None:
        words += f", {room.growth_bytes_per_day / 1e6:z.1f} MB more a day"
    if room.days_left is not None and room.days_left < _FAR_DAYS:
        words += f", room for {counted(round(room.days_left), 'day')}"
    return words
