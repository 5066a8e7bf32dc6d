"""How things stand when a summary is written: a sentence for who reads it fresh."""

from collections.abc import Sequence

from cabinetwatch.config.model import Config
from cabinetwatch.notify.content import display_names
from cabinetwatch.notify.phrases import predicate
from cabinetwatch.report.page_words import short_time
from cabinetwatch.store.store import Store
from cabinetwatch.watch.transition import AlarmState, Transition

_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_HIDDEN = {AlarmState.SUPPRESSED, AlarmState.SHELVED}
_MOST = 3


def present_sentence(store: Store, config: Config, now_utc_ms: int) -> str:
    """Say which alarms stood at an instant.

    Raises:
        StoreError: the store can't be read.
    """
    standing = store.standing(now_utc_ms + 1)
    told = [each for each in standing if each.state in _STANDS]
    # Shelved, or withheld by a trial that was left open: what nobody is told must not be forgotten.
    hidden = [each for each in standing if each.state in _HIDDEN]
    when = f"When this was written ({short_time(now_utc_ms, config.site.timezone)})"
    unseen = f" Hidden then: {_named(hidden, config)}." if hidden else ""
    if not told:
        return f"{when} no alarm stood.{unseen}"
    return f"{when}: {_named(told, config)}.{unseen}"


def _named(alarms: Sequence[Transition], config: Config) -> str:
    names = display_names(config)
    words = [f"{names.get(each.subject, each.subject)} {predicate(each)}" for each in alarms]
    more = f" and {len(words) - _MOST} more" if len(words) > _MOST else ""
    return ", ".join(words[:_MOST]) + more
