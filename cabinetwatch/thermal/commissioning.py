"""What the settings, and some days, say of a device's normal rise before all is learnt."""

from __future__ import annotations

from dataclasses import replace

from cabinetwatch.thermal.figures import DeviceSettings
from cabinetwatch.thermal.learning import Learnt
from cabinetwatch.thermal.model import NormalRise
from cabinetwatch.thermal.swings import Swings

SMALLEST_MISSED_RISE_K = 2.0
"""A normal rise below this can't be missed: the device may as well be off."""

_UNSEEN_LOADS = 0.3
"""Our choice: a rise commissioned without power says nothing of other loads, which are allowed so
much more until the device's first days have shown what they do; a few days don't show them all.
More would hide half a stall."""

_SEEN_GUARD = 0.15
"""Allowance on top of what the load was seen to do."""

_SWING_EXCESS = 0.25
"""Our choice: by this share of what a load adds it may pass what a response explains that isn't
learnt yet."""


def commissioned(settings: DeviceSettings) -> NormalRise | None:
    """The normal rise that was given; None when it is to be learnt."""
    if settings.normal_rise_k is None:
        return None
    power_w = settings.normal_power_w if settings.has_power else None
    if power_w is None:
        return NormalRise(settings.normal_rise_k, guard=_UNSEEN_LOADS)
    return NormalRise(settings.normal_rise_k, power_w)


def unseen_swings(settings: DeviceSettings) -> Swings | None:
    """The swings to be watched until something is learnt; None where power tells the load."""
    if settings.has_power or settings.normal_rise_k is None:
        return None
    return Swings(settings.normal_rise_k)


def with_swings(normal: NormalRise, swings: Swings) -> NormalRise:
    """The commissioned band, widened by a rise that went by itself: that is what the load does."""
    rise_k = max(swings.rise_k * (1.0 + _UNSEEN_LOADS), swings.top_k * (1.0 + _SEEN_GUARD))
    return replace(
        normal,
        rise_k=rise_k / (1.0 + _UNSEEN_LOADS),
        excess_k=_SWING_EXCESS * (swings.top_k - swings.rise_k),
    )


def provisional(learnt: Learnt, settings: DeviceSettings) -> Learnt | None:
    """What some days may teach: without power they haven't shown all loads, or none at all."""
    normal = learnt.normal
    if settings.has_power or settings.normal_rise_k is not None:
        return learnt
    if normal.rise_k < SMALLEST_MISSED_RISE_K:
        return None
    return replace(learnt, normal=replace(normal, guard=max(normal.guard, _UNSEEN_LOADS)))
