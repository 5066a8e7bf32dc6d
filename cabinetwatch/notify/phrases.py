"""The words of subjects and headings: what a condition is called when people read it."""

from cabinetwatch.watch.transition import AlarmState, Priority, Transition

OVER = "Over"
"""An alarm that is over. Never more than that: others of the same device may still stand."""

TEST_CONDITION = "test"
"""The condition of a test notice; no rule raises it."""

# Each goes on after "NAS: " and after "NAS: no longer ".
_PREDICATES = {
    "ambient-lost": "cut off from its ambient reference",
    "condensation": "close to condensation",
    "cooling-loss": "losing its cooling",
    "derating-forecast": "heading for its derating threshold",
    "drift": "slowly losing its cooling",
    "fan-slow": "running on a slow or stopped fan",
    "high": "above its limit",
    "hot-day": "too warm for the hottest day",
    "implausible": "giving implausible readings",
    "low": "below its limit",
    "over-derating": "above its derating threshold",
    "over-rise": "too far above its ambient",
    "rise-missing": "cooler than its load explains",
    "silent": "silent",
    "stuck": "stuck on one reading",
    TEST_CONDITION: "a test of the notices",
}

_SITE_PREDICATES = {
    "broker-lost": "cut off from its broker",
    "clock-step": "on a clock that was stepped",
    "input-refused": "setting aside what it can't judge",
    "notice-undelivered": "unable to deliver its notices",
    "session-taken": "sharing its client ID with another client",
    "store-fault": "unable to write its records",
}

PRIORITY_WORDS = {Priority.HIGH: "High", Priority.MEDIUM: "Medium", Priority.LOW: "Low"}

DEVICE_CAUTIONS = (
    "Opened gear holds mains voltage and, even unplugged, charged capacitors.",
    "Leave power supplies and the UPS to licensed people. Local codes come first.",
    "A stopped fan can start without warning: keep fingers out of it.",
    "Cover no vent, and pad nothing with what burns.",
)
"""Where hands go near mains: on the notices of devices and of the sensors beside them."""

NO_SMOKE_ALARM = (
    "This is no smoke alarm, and it can fail together with its sensors: it replaces neither smoke"
    " alarms nor anything that local codes ask for."
)


def predicate(transition: Transition) -> str:
    """Say what stands, or no longer stands, of the subject of a transition.

    A condition without words of its own here is called by its name.
    """
    return _predicate(transition.condition, over=transition.is_return)


def told_in_short(transition: Transition) -> str:
    """Say in a few words what a transition tells; of most only programs and MQTT are told."""
    if transition.is_raise or transition.is_return:
        return predicate(transition)
    what = _predicate(transition.condition, over=False)
    if transition.state is not AlarmState.NORMAL:
        return f"{transition.state.replace('-', ' ')} ({what})"
    if transition.previous is AlarmState.OUT_OF_SERVICE:
        # It need not have stood.
        return f"back in service ({what})"
    return _predicate(transition.condition, over=True)


def _predicate(condition: str, *, over: bool) -> str:
    negation = "no longer " if over else ""
    if condition in _SITE_PREDICATES:
        return f"the watch is {negation}{_SITE_PREDICATES[condition]}"
    return negation + _PREDICATES.get(condition, condition.replace("-", " "))


def degree(transition: Transition) -> str:
    """Say how bad it is, or that it is over."""
    if transition.condition == TEST_CONDITION:
        return "Test"
    return OVER if transition.is_return else PRIORITY_WORDS[transition.priority]
