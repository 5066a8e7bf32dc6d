"""The alarm panel: every alarm of a site, and what each is to be told as after it was judged."""

from collections.abc import Iterable

from cabinetwatch.watch import suppression
from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.conditions import CONDITIONS
from cabinetwatch.watch.deadlines import Deadlines
from cabinetwatch.watch.house import House
from cabinetwatch.watch.refusals import describe_error
from cabinetwatch.watch.telling import plainly, transition_of
from cabinetwatch.watch.transition import AlarmState, Transition

_NOTHING: list[Transition] = []


class Panel:
    """Owned by the engine. All instants are watch time (ms).

    An alarm whose judgement has changed is `touched`; what follows from all that were, once what
    happened at an instant is judged, `settle` tells together: one may hide another.

    Args:
        house: what there is to be alarmed of.
        deadlines: take those of the alarms.
    """

    def __init__(self, house: House, deadlines: Deadlines) -> None:
        self.alarms: dict[str, Alarm] = {}
        self.touched: dict[int, Alarm] = {}
        self._deadlines = deadlines
        self._site = house.config.site.name
        order = house.next_order
        for kind in CONDITIONS:
            for subject in sorted(kind.subjects(house.config)):
                settings = house.config.alarm(kind.name, subject)
                if settings.enabled:
                    alarm = Alarm(kind(house, subject, settings), order)
                    self.alarms[alarm.key] = alarm
                    order += 1
        suppression.link(self.alarms, house)
        self._wire()

    def _wire(self) -> None:
        """Tell each sensor which alarms its readings, and its coming and going, concern."""
        for alarm in self.alarms.values():
            for sensor in alarm.condition.inputs:
                sensor.judged += (alarm,)
            for sensor in alarm.condition.watched:
                sensor.watchers += (alarm,)
            if alarm.condition.follows is not None:
                alarm.condition.follows.step_alarms.append(alarm)

    def judge(self, alarms: Iterable[Alarm], now: int) -> None:
        """Ask the conditions of some alarms."""
        for alarm in alarms:
            self.take(alarm, alarm.condition.judge(now, alarm.active), now, now)

    def judge_site(self, now: int) -> None:
        """Ask the conditions of the watch itself."""
        self.judge(self._of_the_watch(), now)

    def judge_safely(self, alarms: Iterable[Alarm], now: int) -> None:
        """Ask the conditions of some alarms; where asking raises it can't be known."""
        for alarm in alarms:
            try:
                raw = alarm.condition.judge(now, alarm.active)
            except Exception:  # noqa: BLE001 - asked because something else was refused, and told
                raw = None
            self.take(alarm, raw, now, now)

    def judge_site_safely(self, now: int) -> None:
        """Ask the conditions of the watch itself, of something that could not be judged."""
        self.judge_safely(self._of_the_watch(), now)

    def _of_the_watch(self) -> list[Alarm]:
        return [each for each in self.alarms.values() if each.condition.kind == "site"]

    def take(self, alarm: Alarm, raw: bool | None, now: int, at: int) -> None:
        """Take what a condition said of what was measured `at` an instant, at the latest now."""
        if alarm.take(raw, now, at):
            self.touch(alarm)
        self._deadlines.set(alarm)

    def touch(self, alarm: Alarm) -> None:
        """Have an alarm looked at by the next `settle`."""
        self.touched[alarm.order] = alarm

    def settle(self, t: int, offset_ms: int) -> list[Transition]:
        """Find what each touched alarm, and each it hides, is to be told as now."""
        if not self.touched:
            return _NOTHING
        affected = dict(self.touched)
        for alarm in self.touched.values():
            affected.update((other.order, other) for other in alarm.hides)
        self.touched.clear()
        for alarm in affected.values():
            alarm.refresh_suppression()
        told = []
        for _, alarm in sorted(affected.items()):
            previous = alarm.settle(t)
            if previous is not None:
                told.append(self._transition(alarm, previous, t, offset_ms))
            if alarm.active and alarm.condition.momentary:
                told.append(self._transition(alarm, alarm.end_at_once(), t, offset_ms))
            alarm.settled()
            self._deadlines.set(alarm)
        return told

    def dropped(self, alarm: Alarm, t: int, offset_ms: int) -> Transition:
        """Tell as normal an alarm that stands and has no place here, and so will not be judged."""
        previous, alarm.state = alarm.state, AlarmState.NORMAL
        transition = self._transition(alarm, previous, t, offset_ms)
        text = f"{alarm.condition.name} of {alarm.called} is no longer part of the configuration."
        return Transition.from_record(transition.record() | {"text": text})

    def _transition(self, alarm: Alarm, previous: AlarmState, t: int, offset_ms: int) -> Transition:
        try:
            return transition_of(alarm, previous, t, self._site, offset_ms)
        except Exception as error:  # noqa: BLE001 - an alarm without words is told nevertheless
            return plainly(alarm, previous, t, self._site, offset_ms, error=describe_error(error))
