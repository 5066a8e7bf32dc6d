"""Incidents: the alarms of one cause as one thing, and the account of it that people are shown.

An incident opens with the first raise of a cause and ends when none of its alarms is active any
more; its ID is that of its first alarm. The alarms of ISA-18.2 go on underneath as they are. What
is told of it are few messages: it opens, gets worse, is over.
"""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from cabinetwatch.watch import conditions
from cabinetwatch.watch.alarms import Alarm, AlarmManager
from cabinetwatch.watch.conditions.base import SIGMAS_95, is_vague, listed
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import (
    OVER,
    Account,
    AccountFigure,
    AlarmState,
    Message,
    Priority,
    Step,
    Transition,
)
from cabinetwatch.watch.site import SiteModel

_VISIBLE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_PUT_AWAY = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}
_RANKS = {priority: rank for rank, priority in enumerate(Priority)}

MOST_FIGURES = 6
_MOST_UNSAID = 40
"""Raises and returns kept for the next message: one that comes and goes all week stays short."""
_MOST_SENTENCES = 3
_MOST_CLOSED = 200

# By state, the first of an incident's alarms says what somebody has to do about it.
_STATES = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.SHELVED,
    AlarmState.OUT_OF_SERVICE,
    AlarmState.SUPPRESSED,
    AlarmState.RETURNED,
    AlarmState.NORMAL,
)


@dataclass(slots=True)
class Incident:
    """One incident. Instants are watch time (ms).

    `is_told`: whether people were told that it is on. `priorities`: those under which it was told,
    since it opened; `raised`: the keys of the alarms that were raised since then. `seen`: what is
    to be seen of it, the highest priority of each subject; `is_acknowledged`: whether all of that
    is; `is_put_away`: whether nothing is to be seen because somebody has hidden it. `unsaid`: its
    raises and returns since the last message. `last`: the account of its end, shown until its
    alarms are acknowledged.
    """

    id: str
    cause: str
    since_t: int
    is_told: bool = False
    priorities: list[Priority] = field(default_factory=list)
    raised: list[str] = field(default_factory=list)
    seen: dict[str, Priority] = field(default_factory=dict)
    is_acknowledged: bool = False
    is_put_away: bool = False
    over_t: int | None = None
    unsaid: list[Transition] = field(default_factory=list)
    last: Account | None = None

    @property
    def priority(self) -> Priority:
        """The highest since it opened."""
        return highest([*self.priorities, *self.seen.values()])

    def look(self, members: Iterable[Alarm]) -> None:
        """Note what is to be seen of it now."""
        visible = [each for each in members if each.state in _VISIBLE]
        self.seen = {
            subject: highest([each.priority for each in visible if each.subject == subject])
            for subject in dict.fromkeys(each.subject for each in visible)
        }
        self.is_put_away = not visible and any(e.active and e.state in _PUT_AWAY for e in members)
        self.is_acknowledged = bool(visible) and all(
            each.state is AlarmState.ACKNOWLEDGED for each in visible
        )

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return asdict(replace(self, unsaid=[], last=None)) | {
            "unsaid": [each.record() for each in self.unsaid],
            "last": None if self.last is None else self.last.public(),
        }

    @classmethod
    def load(cls, state: Mapping[str, Any]) -> "Incident":
        """Rebuild an incident from a saved state."""
        last = state["last"]
        return cls(
            **dict(state)
            | {
                "priorities": [Priority(each) for each in state["priorities"]],
                "raised": list(state["raised"]),
                "seen": {subject: Priority(each) for subject, each in state["seen"].items()},
                "unsaid": [Transition.from_record(each) for each in state["unsaid"]],
                "last": None if last is None else Account.from_public(last),
            }
        )


def highest(priorities: Sequence[Priority]) -> Priority:
    """Give the most urgent of some priorities; the least urgent there is of none."""
    return min(priorities, key=_RANKS.__getitem__, default=Priority.LOW)


class IncidentBook:
    """All incidents of a site; owned by the engine, which shows it every transition it tells."""

    def __init__(self, model: SiteModel, manager: AlarmManager) -> None:
        self._model = model
        self._manager = manager
        self._incidents: dict[str, Incident] = {}
        self.closed: deque[str] = deque(maxlen=_MOST_CLOSED)
        """IDs of those that ended lately: what was published of them has to go."""

    # -- following the alarms -------------------------------------------------------------------

    def follow(self, told: Sequence[Transition], t: int) -> list[Transition]:
        """Give each transition of an instant its incident, and the last of each its message."""
        touched: dict[str, tuple[Incident, list[int]]] = {}
        given = list(told)
        for place, transition in enumerate(told):
            incident = self._place(transition, t)
            if incident is not None:
                given[place] = replace(transition, incident=incident.id)
                touched.setdefault(incident.id, (incident, []))[1].append(place)
        for incident, places in touched.values():
            own = [given[place] for place in places]
            message = self._advance(incident, own, t)
            given[places[-1]] = replace(given[places[-1]], message=message)
        return given

    def _place(self, transition: Transition, t: int) -> Incident | None:
        """Find the incident of a transition, or open one; None for what belongs to none."""
        alarm = self._manager.alarms.get(transition.key)
        known = self._incidents.get(transition.incident or (alarm.incident if alarm else ""))
        if alarm is None or (known is not None and (known.over_t is None or not alarm.active)):
            return known
        # What comes again of an incident that is over goes to one of its cause that is on, if any.
        incident = self._open_of(self._cause(alarm)) or known
        if incident is None:
            # Taken out of service, or suppressed, while nothing of its cause is told: no incident.
            if transition.state not in _VISIBLE:
                return None
            since_t = alarm.since_t if alarm.since_t is not None else t
            incident = Incident(transition.id, self._cause(alarm), since_t)
            self._incidents[incident.id] = incident
        elif not alarm.active and transition.state not in _VISIBLE:
            return None
        alarm.incident = incident.id
        if known is not None and known is not incident:
            self._let_go(known, self._members(known))
        return incident

    def _open_of(self, cause: str) -> Incident | None:
        """Give the incident of a cause that is not over."""
        incidents = self._incidents.values()
        return next((e for e in incidents if e.cause == cause and e.over_t is None), None)

    def _cause(self, alarm: Alarm) -> str:
        """Give the cause of an alarm: for heat, the device around it that has lost its cooling."""
        condition = alarm.condition
        device = self._model.devices.get(alarm.subject)
        if condition.is_heat and device is not None:
            lost = {
                each.subject
                for each in self._manager.alarms.values()
                if each.condition.is_cooling and each.state in _VISIBLE
            }
            for outer in device.enclosing:
                if outer.id in lost:
                    return f"device/{outer.id}"
        return condition.cause

    def _members(self, incident: Incident) -> list[Alarm]:
        """Give its alarms in the order of urgency of their conditions."""
        return [each for each in self._manager.alarms.values() if each.incident == incident.id]

    def _advance(self, incident: Incident, own: Sequence[Transition], t: int) -> Message | None:
        """Take what its alarms did at an instant; give the message that follows, if one does."""
        members = self._members(incident)
        said = [each for each in own if each.is_raise or each.is_return]
        step = self._step(incident, own, members)
        if step is Step.OPENED:
            began = [e.since_t for e in members if e.active and e.since_t is not None]
            incident.since_t = min(began, default=t)
            incident.priorities, incident.raised = [], []
        shown = [each.key for each in members if each.state in _VISIBLE]
        shown += [each.key for each in own if each.is_raise]
        incident.raised = list(dict.fromkeys([*incident.raised, *shown]))
        incident.unsaid = (incident.unsaid + said)[-_MOST_UNSAID:]
        incident.look(members)
        try:
            account = self._told(incident, own, step, t)
        except Exception:  # noqa: BLE001 - an incident without words is told nevertheless
            account = replace(plain_account(own[-1]), id=incident.id)
        message = None
        if step is not None and account is not None:
            if step is not Step.OVER and account.priority not in incident.priorities:
                incident.priorities.append(account.priority)
            told = incident.unsaid
            if step is Step.OVER and own[-1] not in told:
                # The last of it is its end, however that came.
                told = [*told, own[-1]]
            message = Message(step, account, tuple(told), tuple(incident.priorities))
            incident.unsaid = []
        self._let_go(incident, members)
        return message

    def _told(
        self, incident: Incident, own: Sequence[Transition], step: Step | None, t: int
    ) -> Account | None:
        """Note that it opens, goes on or ends, and give the account for people if they are told."""
        if step is Step.OVER:
            incident.over_t, incident.is_told = t, False
            incident.last = self._last_account(incident, own, t)
            return incident.last
        if step is None:
            return None
        incident.over_t, incident.is_told, incident.last = None, True, None
        return self._account(incident, t)

    def _step(
        self, incident: Incident, own: Sequence[Transition], members: Sequence[Alarm]
    ) -> Step | None:
        """Say what is to be told, by what was to be seen before and what is now."""
        raises = [each for each in own if each.is_raise]
        if not raises:
            on = any(_is_on(each) for each in members)
            # What somebody puts out of sight is not over; what ends beside it is.
            ended = any(each.is_return for each in own) or not any(e.active for e in members)
            return Step.OVER if incident.is_told and not on and ended else None
        if not incident.is_told or incident.is_put_away:
            return Step.OPENED
        worse = incident.is_acknowledged or any(self._is_worse(each, incident) for each in raises)
        return Step.WORSE if worse else None

    def _is_worse(self, raised: Transition, incident: Incident) -> bool:
        """Whether a raise says more than was to be seen; or, explained so far, than was told."""
        known = incident.seen
        if raised.previous is AlarmState.SUPPRESSED:
            subjects = (key.partition("/")[0] for key in incident.raised)
            known = dict.fromkeys(subjects, incident.priority)
        elif self._manager.alarms[raised.key].condition.is_worse:
            return True
        more_urgent = not known or _RANKS[raised.priority] < _RANKS[highest([*known.values()])]
        return more_urgent or (
            raised.subject in self._model.devices and raised.subject not in known
        )

    def _let_go(self, incident: Incident, members: Sequence[Alarm]) -> None:
        """Forget those of its alarms that are normal, and itself once all are."""
        for alarm in members:
            if alarm.state is AlarmState.NORMAL:
                alarm.incident = ""
        if all(alarm.state is AlarmState.NORMAL for alarm in members):
            self._incidents.pop(incident.id, None)
            self.closed.append(incident.id)

    def adopt(self, t: int) -> None:
        """Gather what stands without an incident, as a state of an earlier version leaves it."""
        for alarm in self._manager.alarms.values():
            if alarm.incident and alarm.incident not in self._incidents:
                alarm.incident = ""
            if alarm.incident or alarm.state not in {*_VISIBLE, AlarmState.RETURNED}:
                continue
            cause = self._cause(alarm)
            found = self._open_of(cause)
            if found is None:
                since_t = alarm.since_t if alarm.since_t is not None else t
                found = Incident(alarm.id, cause, since_t)
                self._incidents[found.id] = found
            alarm.incident = found.id
            found.is_told = found.is_told or alarm.active
            found.over_t = None if found.is_told else t
            found.priorities.append(alarm.priority)
            found.raised.append(alarm.key)
            found.look(self._members(found))
        for alarm in self._manager.alarms.values():
            if alarm.active and not alarm.incident:
                # Hidden by one of those: it goes on with them.
                explained = self._open_of(self._cause(alarm))
                alarm.incident = explained.id if explained is not None else ""

    # -- what is asked of it --------------------------------------------------------------------

    def alarms_of(self, wanted: str | None) -> list[Alarm]:
        """Give the alarms of an incident's ID, of an alarm's ID, or of a subject; None: all."""
        if wanted is None:
            return list(self._manager.alarms.values())
        incident = self._incidents.get(wanted)
        if incident is not None:
            return self._members(incident)
        alarms = self._manager.alarms.values()
        return [each for each in alarms if each.id and wanted in {each.id, each.subject}]

    @property
    def known(self) -> list[str]:
        """The IDs of all that are on, wait to be acknowledged, or ended lately."""
        return [*self._incidents, *self.closed]

    def accounts(self, t: int) -> list[Account]:
        """Give every incident's account at `t`: what is on before what is over, worst first."""
        accounts = []
        for incident in self._incidents.values():
            # One without words must not take the others with it; its alarms are told all the same.
            with suppress(Exception):
                accounts.append(self._account(incident, t))
        return sorted(accounts, key=urgency)

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "open": [each.save() for each in self._incidents.values()],
            "closed": list(self.closed),
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state."""
        loaded = [Incident.load(each) for each in state["open"]]
        self._incidents = {each.id: each for each in loaded}
        self.closed.extend(state["closed"])

    # -- the account ----------------------------------------------------------------------------

    def _account(self, incident: Incident, t: int) -> Account:
        """Say how it is at `t`, by its alarms that are on."""
        everyone = self._members(incident)
        members = [each for each in everyone if each.active]
        waits = any(each.state is AlarmState.RETURNED for each in everyone)
        if incident.last is not None and (waits or not members):
            return incident.last
        if not members:
            ended = self._last_account(incident, (), t)
            hidden = [
                each for each in everyone if each.state in {*_PUT_AWAY, AlarmState.SUPPRESSED}
            ]
            if not hidden:
                return ended
            # Over, but nobody is told before it comes out of where somebody has put it.
            return replace(ended, state=hidden[0].state.value, over_ms=None)
        state = min((each.state for each in members), key=_STATES.index)
        shown = [each for each in members if each.state is state or each.state in _VISIBLE]
        shown.sort(key=lambda each: _RANKS[each.priority])
        lead = shown[0]
        hot = {each.subject for each in members if each.condition.is_heat}
        left = [self._model.devices[each].time_left_s() for each in hot]
        by = list(dict.fromkeys(each.acknowledged_by for each in shown if each.acknowledged_by))
        return Account(
            id=incident.id,
            site=self._model.config.site.name,
            headline=_headline(shown),
            priority=highest([each.priority for each in shown]),
            state=state.value,
            time_ms=t + self._model.site.offset_ms,
            since_ms=incident.since_t + self._model.site.offset_ms,
            now=" ".join(_sentences(shown)),
            time_left_s=min((each for each in left if each is not None), default=None),
            likely=next((each.condition.suspicion for each in _explaining(shown)), ""),
            response=lead.condition.advice,
            acknowledged_by=", ".join(by),
            alarms=tuple(each.id for each in members),
            subjects=tuple(dict.fromkeys(each.subject for each in shown)),
            figures=self._figures(shown),
            is_present=any(each.raw is not False for each in members),
        )

    def _last_account(self, incident: Incident, own: Sequence[Transition], t: int) -> Account:
        """Say how it is now that it is over: by those of its alarms that ended last."""
        members = [e for e in self._members(incident) if e.key in incident.raised]
        returned = {each.key for each in own if each.is_return}
        told = [e for e in members if e.state is AlarmState.RETURNED or e.key in returned]
        ended = sorted(told or members, key=lambda each: not each.condition.is_cooling)
        headline = seen = own[-1].text if own else "It is over."
        if ended:
            headline, seen = _headline(ended, over=True), " ".join(_sentences(ended, over=True))
        over_t = t if incident.over_t is None else incident.over_t
        return Account(
            id=incident.id,
            site=self._model.config.site.name,
            headline=headline,
            priority=incident.priority,
            state=OVER,
            time_ms=t + self._model.site.offset_ms,
            since_ms=incident.since_t + self._model.site.offset_ms,
            over_ms=over_t + self._model.site.offset_ms,
            now=seen,
            alarms=tuple(each.id for each in members if each.id),
            subjects=tuple(dict.fromkeys(each.subject for each in members)),
            figures=self._figures(ended),
        )

    def _figures(self, alarms: Sequence[Alarm]) -> tuple[AccountFigure, ...]:
        """Give at most six figures, those that are known: of the devices, or of the sensors."""
        figures: list[AccountFigure] = []
        first: dict[str, Alarm] = {}
        for alarm in alarms:
            first.setdefault(alarm.subject, alarm)
        for alarm in first.values():
            device = self._model.devices.get(alarm.subject)
            # Of several devices, for each only how near it is to its threshold.
            if device is not None and alarm.condition.is_heat and figures:
                figures += _margin(device, of=device.name)
            elif device is not None and not alarm.condition.tells_silence:
                figures += device_figures(device)
        return tuple(figures[:MOST_FIGURES])


def urgency(account: Account) -> tuple[bool, bool, int, bool, int]:
    """Give what sorts accounts: on before over, seen before hidden, worst first, newest first."""
    return (
        account.is_over,
        account.is_hidden,
        _RANKS[account.priority],
        account.state != AlarmState.UNACKNOWLEDGED,
        -account.since_ms,
    )


def device_figures(device: DeviceView) -> list[AccountFigure]:
    """Give the figures of a device that say how hot it is and may get; only what is known."""
    heading, fan = device.heading, device.fan
    known: list[tuple[str, float | None, str, float | None]] = [
        ("Air leaving it", device.temperature_c, "Cel", None),
        ("Surrounding air", device.ambient_c, "Cel", None),
    ]
    if heading is not None:
        settled_k, sd_k = heading.settled_rise_k, heading.settled_rise_sd_k
        if not is_vague(settled_k, sd_k):
            known.append(("Settling at", settled_k, "K", SIGMAS_95 * sd_k))
        known.append(("Normal now", heading.normal_rise_k, "K", None))
    if fan is not None:
        known.append(("Fan", fan.present, "1/min", None))
    figures = [
        AccountFigure(name, round(value, 2), unit, None if ci95 is None else round(ci95, 2))
        for name, value, unit, ci95 in known
        if value is not None
    ]
    return figures[: MOST_FIGURES - 1] + _margin(device)


def _margin(device: DeviceView, of: str = "") -> list[AccountFigure]:
    margin_k = device.figures()["margin_k"]
    name = f"Margin now, {of}" if of else "Margin now"
    return [] if margin_k is None else [AccountFigure(name, round(margin_k, 2), "K")]


def _is_on(alarm: Alarm) -> bool:
    """Whether people see it, or something that they see explains it."""
    suppressed = alarm.state is AlarmState.SUPPRESSED and not alarm.withheld_by
    return alarm.active and (alarm.state in _VISIBLE or suppressed)


def _headline(alarms: Sequence[Alarm], *, over: bool = False) -> str:
    """Say in a few words what is wrong, or over: of the first, and whom else it befalls."""
    lead = alarms[0]
    others = dict.fromkeys(each.called for each in alarms if each.subject != lead.subject)
    return lead.condition.headline(list(others), over=over)


def _sentences(alarms: Sequence[Alarm], *, over: bool = False) -> list[str]:
    """Say what is seen now: of the first subject two things at most, of each other one."""

    def said(alarm: Alarm) -> str:
        return alarm.condition.gone() if over else alarm.condition.seen()

    groups: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        # Of what befalls several alike, such as a lost ambient, one sentence will do.
        alike = said(alarm).replace(alarm.called, "")
        groups.setdefault(alarm.subject if alarm.condition.is_heat else alike, []).append(alarm)
    sentences: list[str] = []
    for lead, *others in groups.values():
        sentences.append(said(lead))
        names = list(dict.fromkeys(each.called for each in others if each.called != lead.called))
        if names:
            sentences.append(f"Likewise {listed(names)}.")
        elif others and len(sentences) == 1:
            sentences.append(said(others[0]))
    left = len(sentences) - _MOST_SENTENCES
    return sentences if left <= 0 else [*sentences[:_MOST_SENTENCES], f"And {left} more."]


def _explaining(alarms: Sequence[Alarm]) -> list[Alarm]:
    """Give those that say what it likely is: lost cooling before the heat that comes of it."""
    return sorted(
        (each for each in alarms if each.condition.suspicion),
        key=lambda each: not each.condition.is_cooling,
    )


def plain_account(transition: Transition) -> Account:
    """Give the account of a transition alone, where no incident is known: a test, an old record."""
    condition = conditions.named(transition.condition)
    what = transition.condition.replace("-", " ")
    if condition is not None:
        what = condition.over if transition.is_return else condition.predicate
    return Account(
        id=transition.incident or transition.id,
        site=transition.site,
        headline=f"{transition.subject}: {what}",
        priority=transition.priority,
        state=OVER if transition.is_return else transition.state.value,
        time_ms=transition.utc_ms,
        since_ms=transition.utc_ms,
        over_ms=transition.utc_ms if transition.is_return else None,
        now=transition.text,
        likely=transition.likely if transition.is_raise else "",
        response=transition.response if transition.is_raise else "",
        alarms=(transition.id,),
        subjects=(transition.subject,),
    )
