"""How things stand when a summary is written: a sentence for who reads it fresh."""

from cabinetwatch.config.model import Config
from cabinetwatch.notify.content import display_names
from cabinetwatch.notify.phrases import predicate
from cabinetwatch.report.page_words import short_time
from cabinetwatch.store.store import Store
from cabinetwatch.watch.transition import AlarmState

_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_MOST = 3


def present_sentence(store: Store, config: Config, now_utc_ms: int) -> str:
    """Say which alarms stood at an instant.

    Raises:
        StoreError: the store can't be read.
    """
    names = display_names(config)
    told = [
        f"{names.get(each.subject, each.subject)} {predicate(each)}"
        for each in store.standing(now_utc_ms + 1)
        if each.state in _STANDS
    ]
    when = f"When this was written ({short_time(now_utc_ms, config.site.timezone)})"
    if not told:
        return f"{when} no alarm stood."
    more = f" and {len(told) - _MOST} more" if len(told) > _MOST else ""
    return f"{when}: {', '.join(told[:_MOST])}{more}."
