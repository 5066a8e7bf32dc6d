"""How alarms and their transitions are printed."""

from collections.abc import Sequence

from cabinetwatch.cli.output import print_table, say
from cabinetwatch.times import from_rfc3339, to_datetime
from cabinetwatch.watch.telling import without_span
from cabinetwatch.watch.transition import AlarmState, Transition

_HIDDEN = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}


def print_standing(standing: Sequence[Transition]) -> None:
    """Print what stands, each with its sentence and its ID, and apart from it what is hidden."""
    seen = [each for each in standing if each.state not in _HIDDEN]
    hidden = [each for each in standing if each.state in _HIDDEN]
    if seen:
        _print_alarms(seen, "Standing alarms")
    else:
        say("No alarm stands.")
    if hidden:
        print()
        _print_alarms(hidden, "Hidden: shelved, suppressed or out of service")


def _print_alarms(alarms: Sequence[Transition], title: str) -> None:
    print_table(
        ("ID", "Priority", "State", "Subject", "Condition", "Since (UTC)"),
        [
            (
                each.id,
                each.priority.value,
                each.state.value,
                each.subject,
                each.condition,
                utc_minute(_since_utc_ms(each)),
            )
            for each in alarms
        ],
        title=title,
    )
    # A device out of service has the same sentence for each of its conditions.
    told: dict[str, list[str]] = {}
    # Since when stands above; for how long it was when it was told is no longer true.
    texts = {each.id: without_span(each.text) for each in alarms}
    for each in alarms:
        told.setdefault(f"{each.subject} {texts[each.id]}", []).append(each.id)
    for ids in told.values():
        say(f"{', '.join(ids)}: {texts[ids[0]]}")


def print_history(history: Sequence[Transition]) -> None:
    """Print transitions, the newest last."""
    if not history:
        say("No alarm has ever moved.")
        return
    print_table(
        ("Time (UTC)", "ID", "Subject", "Condition", "From", "To", "Priority"),
        [
            (
                utc_minute(each.utc_ms, seconds=True),
                each.id,
                each.subject,
                each.condition,
                each.previous.value,
                each.state.value,
                each.priority.value,
            )
            for each in history
        ],
        title="History",
    )


def _since_utc_ms(transition: Transition) -> int:
    """Give when it began; for one that only was taken out of service, when it was."""
    since: str | None = transition.values.get("since")
    return transition.utc_ms if since is None else from_rfc3339(since)


def utc_minute(utc_ms: int, *, seconds: bool = False) -> str:
    """Write an instant in UTC to the minute or the second."""
    return to_datetime(utc_ms).strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")
