"""The week of each device, out of the tiers."""

from collections.abc import Mapping, Sequence
from statistics import fmean

from cabinetwatch.report.summary_due import Span
from cabinetwatch.report.summary_figures import DeviceWeek, DriftWeek, Spread
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import Bucket, Tier, statistics
from cabinetwatch.thermal.life import arrhenius_factor
from cabinetwatch.watch.engine import Engine

WEEK_MS = 7 * 86_400_000

_MOSTLY_OFF = 0.5
_REFERENCE_C = 40.0
"""Any will do: it cancels."""

_COMPARED = ("off", "settled_rise_k", "hot_day_margin_k")
_FIGURES = (*_COMPARED, "temperature_c", "ambient_c", "normal_rise_k", "margin_k")

Figures = Mapping[int, float]
"""The means of a figure's quarter-hours by their beginning."""


def device_week(
    store: Store, device_id: str, name: str, *, week: Span, tier: Tier, drift: DriftWeek | None
) -> DeviceWeek:
    """Give a device's figures.

    Args:
        store: to read.
        device_id: of the device.
        name: what people called it then.
        week: from when up to when.
        tier: of what percentiles are: minutes, or quarters where those are gone.
        drift: its trend, where that is known.
    """
    fine = store.columns(device_id, ("temperature_c", "rise_k"), tier, *week)
    now = store.columns(device_id, _FIGURES, Tier.QUARTERS, *week)
    before = store.columns(
        device_id, _COMPARED, Tier.QUARTERS, *(utc_ms - WEEK_MS for utc_ms in week)
    )
    on, was_on = _WhileOn(now["off"]), _WhileOn(before["off"])
    least = min(now["margin_k"], key=lambda bucket: bucket.minimum, default=None)
    normal, ambient = on(now["normal_rise_k"]), _by_start(now["ambient_c"])
    return DeviceWeek(
        id=device_id,
        name=name,
        temperature=_spread(fine["temperature_c"]),
        rise=_spread(fine["rise_k"]),
        ambient_c=_mean(ambient),
        settled_rise_k=_mean(on(now["settled_rise_k"])),
        settled_rise_last_week_k=_mean(was_on(before["settled_rise_k"])),
        normal_rise_k=_mean(normal),
        margin_k=None if least is None else least.minimum,
        margin_utc_ms=None if least is None else least.utc_ms,
        hot_day_margin_k=_mean(on(now["hot_day_margin_k"])),
        hot_day_margin_last_week_k=_mean(was_on(before["hot_day_margin_k"])),
        life_factor=life_factor(on(now["temperature_c"]), ambient, normal),
        off_fraction=_mean(_by_start(now["off"])),
        known=min(1.0, len(fine["temperature_c"]) * tier.width_ms / (week[1] - week[0])),
        drift=drift,
    )


def life_factor(temperature_c: Figures, ambient_c: Figures, normal_rise_k: Figures) -> float | None:
    """Give the speed of ageing at ambient plus normal rise, over that at the real temperature.

    Both are means, over the stretches in which all three figures are known, of how many times as
    long life would last at a reference temperature: the speed of ageing against there.
    """
    shared = temperature_c.keys() & ambient_c.keys() & normal_rise_k.keys()
    if not shared:
        return None
    real = fmean(arrhenius_factor(temperature_c[at], _REFERENCE_C) for at in shared)
    normal = fmean(
        arrhenius_factor(ambient_c[at] + normal_rise_k[at], _REFERENCE_C) for at in shared
    )
    return normal / real


def drift_of(engine: Engine, device_id: str) -> DriftWeek | None:
    """Give a device's trend as an engine knows it."""
    device = engine.house.devices.get(device_id)
    finding = None if device is None else device.drift_finding
    if finding is None:
        return None
    return DriftWeek(finding.significant, finding.climb_per_week, finding.exhausted_in_days)


class _WhileOn:
    """Leaves out of a figure the quarters in which the device was mostly off."""

    def __init__(self, off: Sequence[Bucket]) -> None:
        self._off = {bucket.utc_ms for bucket in off if bucket.mean > _MOSTLY_OFF}

    def __call__(self, buckets: Sequence[Bucket]) -> Figures:
        return {each.utc_ms: each.mean for each in buckets if each.utc_ms not in self._off}


def _by_start(buckets: Sequence[Bucket]) -> Figures:
    return {bucket.utc_ms: bucket.mean for bucket in buckets}


def _mean(figures: Figures) -> float | None:
    return fmean(figures.values()) if figures else None


def _spread(buckets: Sequence[Bucket]) -> Spread | None:
    found = statistics(buckets)
    if found is None:
        return None
    return Spread(
        mean=found.mean,
        percentile_95=found.percentile_95,
        lowest=found.lowest,
        highest=found.highest,
        highest_utc_ms=found.highest_utc_ms,
    )
