"""What a notice mail says, before it is dressed as text or HTML. Pure."""

import shlex
from collections.abc import Mapping
from dataclasses import dataclass

from cabinetwatch.config.loading import SYSTEM_FILE, usual_files
from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.notify.labels import Figure, figures, local_time
from cabinetwatch.notify.mail_policy import header_text
from cabinetwatch.notify.phrases import (
    DEVICE_CAUTIONS,
    NO_SMOKE_ALARM,
    OVER,
    PRIORITY_WORDS,
    TEST_CONDITION,
    degree,
    predicate,
)
from cabinetwatch.store.notice import Notice
from cabinetwatch.times import from_rfc3339
from cabinetwatch.watch.transition import AlarmState, Priority, Transition
from cabinetwatch.watch.wording import kelvin

_MOST_NAME = 60
"""Characters of a name in a subject: beyond that no mail program shows them."""


@dataclass(frozen=True, slots=True)
class Item:
    """One transition as a mail shows it.

    `tone` is a priority's value, or "over"; `overtaken` says that a later transition of the same
    alarm stands in the same mail, so that figures and advice are left to that one. `caveat` says
    what is not well yet though this alarm is over; else it is empty.
    """

    heading: str
    degree: str
    tone: str
    text: str
    caveat: str
    id: str
    time: str
    since: str
    figures: tuple[Figure, ...]
    likely: str
    response: str
    acknowledge: str
    overtaken: bool


@dataclass(frozen=True, slots=True)
class Content:
    """A whole mail in words: a line of introduction, the transitions, and what must be said."""

    subject: str
    intro: str
    items: tuple[Item, ...]
    cautions: tuple[str, ...]
    no_smoke_alarm: str
    site: str


def content_of(notice: Notice, config: Config) -> Content:
    """Put a notice into words."""
    names = display_names(config)
    transitions = notice.transitions
    last = {transition.id: transition for transition in transitions}
    return Content(
        subject=_subject(notice, names, config.site.name),
        intro=_intro(notice),
        items=tuple(
            _item(each, names, config, overtaken=each is not last[each.id]) for each in transitions
        ),
        cautions=DEVICE_CAUTIONS if any(_near_mains(each) for each in transitions) else (),
        no_smoke_alarm=NO_SMOKE_ALARM,
        site=config.site.name,
    )


def display_names(config: Config) -> dict[str, str]:
    """Give what people call each subject, where it stands alone: an ID there says what it is of."""
    names = {subject: config.name_of(subject) for subject in (*config.devices, SITE_SUBJECT)}
    return names | {
        sensor_id: f"sensor {sensor_id}" if sensor.name is None else sensor.name
        for sensor_id, sensor in config.sensors.items()
    }


def _item(
    transition: Transition, names: Mapping[str, str], config: Config, *, overtaken: bool
) -> Item:
    timezone = config.site.timezone
    return Item(
        heading=_heading(transition, names),
        degree=degree(transition),
        tone="over" if transition.is_return else transition.priority.value,
        text=transition.text,
        caveat="" if overtaken else _caveat(transition),
        id=transition.id,
        time=local_time(transition.utc_ms, timezone),
        since=_since(transition, timezone),
        figures=() if overtaken else tuple(figures(transition.values, timezone, config.name_of)),
        likely=transition.likely if transition.is_raise and not overtaken else "",
        response=transition.response if transition.is_raise and not overtaken else "",
        acknowledge="" if overtaken else _acknowledge(transition, config),
        overtaken=overtaken,
    )


def _heading(transition: Transition, names: Mapping[str, str]) -> str:
    return f"{names.get(transition.subject, transition.subject)}: {predicate(transition)}"


def _since(transition: Transition, timezone: str) -> str:
    """Say when it began; the raise itself where the condition does not know."""
    since = transition.values.get("since")
    if isinstance(since, str):
        try:
            return local_time(from_rfc3339(since), timezone)
        except ValueError:
            return since
    return local_time(transition.utc_ms, timezone) if transition.is_raise else ""


def _caveat(transition: Transition) -> str:
    """Say that a device is still too hot though one of its alarms is over.

    A fan that turns again cools in its own time: who reads "over" must not go back to sleep.
    """
    margin_k = transition.values.get("margin_k")
    if not transition.is_return or not isinstance(margin_k, int | float) or margin_k >= 0:
        return ""
    return f"Not all is well yet: it is still {kelvin(-margin_k)} above its derating threshold."


def _acknowledge(transition: Transition, config: Config) -> str:
    """Give the command that acknowledges, where there is something to acknowledge.

    As it works from any folder on the watch's computer: that of the system is closed to all but
    root, and any other that is not looked for must be named.
    """
    unseen = transition.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
    if not unseen or transition.condition == TEST_CONDITION:
        return ""
    command = f"cabinetwatch ack {transition.id}"
    if config.file == SYSTEM_FILE:
        return f"sudo {command}"
    if config.file is None or config.file in usual_files():
        return command
    return f"{command} --config {shlex.quote(str(config.file))}"


def _near_mains(transition: Transition) -> bool:
    return transition.subject != "site" and transition.is_raise


def _intro(notice: Notice) -> str:
    count = len(notice.transitions)
    if notice.kind == "repeat":
        alarms = "This alarm still stands" if count == 1 else "These alarms still stand"
        return f"{alarms}, and nobody has acknowledged {'it' if count == 1 else 'them'}."
    if notice.kind == "digest":
        return f"{count} changes were waiting to be told; here they are together, oldest first."
    if notice.kind == "test":
        return "A test notice: if you can read it, notices by mail reach you."
    return "" if count == 1 else "One cause, so one mail."


def _subject(notice: Notice, names: Mapping[str, str], site: str) -> str:
    site = _shortened(site)
    if notice.kind == "test":
        return f"[Test] Notices reach you - {site}"
    shown = {subject: _shortened(name) for subject, name in names.items()}
    if notice.kind == "digest":
        return f"[{_worst(notice)}] {_tally(notice)} - {site}"
    first = notice.transitions[0]
    mark = degree(first) if first.is_return else _worst(notice)
    again = ", still standing" if notice.kind == "repeat" else ""
    others = len(notice.transitions) - 1
    more = f" (and {others} more)" if others else ""
    place = "" if first.subject == "site" else f" - {site}"
    return header_text(f"[{mark}{again}] {_heading(first, shown)}{more}{place}")


def _worst(notice: Notice) -> str:
    """Give the highest priority among what stands at the end of the mail."""
    last = {transition.id: transition for transition in notice.transitions}
    standing = {each.priority for each in last.values() if not each.is_return}
    for priority in Priority:
        if priority in standing:
            return PRIORITY_WORDS[priority]
    return OVER


def _tally(notice: Notice) -> str:
    last = {transition.id: transition for transition in notice.transitions}
    over = sum(transition.is_return for transition in last.values())
    parts = [(len(last) - over, "raised"), (over, "over")]
    counted = [f"{count} {word}" for count, word in parts if count]
    alarms = "alarm" if len(last) == 1 else "alarms"
    return f"{len(last)} {alarms} in one notice: {', '.join(counted)}"


def _shortened(name: str) -> str:
    name = header_text(name)
    return name if len(name) <= _MOST_NAME else name[: _MOST_NAME - 1].rstrip() + "…"
