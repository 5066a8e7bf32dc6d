"""Instants: whatever is read as one can be written again, in any time zone."""

from zoneinfo import ZoneInfo

import pytest

from cabinetwatch.text import from_instant, from_rfc3339, to_datetime, to_rfc3339


@pytest.mark.parametrize(
    "told",
    [
        "0001-01-02T00:00:00Z",
        "9999-12-30T23:59:59.999Z",
        "9999-12-31T13:59:59.999+14:00",
        -62_135_510_400,
        253_402_214_399.999,
    ],
)
def test_what_is_near_the_end_of_the_calendar_has_a_date_everywhere(told: str | float) -> None:
    utc_ms = from_instant(told)
    assert from_rfc3339(to_rfc3339(utc_ms)) == utc_ms
    for zone in ("Pacific/Kiritimati", "Pacific/Pago_Pago"):
        assert to_datetime(utc_ms).astimezone(ZoneInfo(zone)).year in {1, 9999}


@pytest.mark.parametrize(
    "told",
    [
        "0001-01-01T00:00:00+10:00",
        "9999-12-31T23:59:59-10:00",
        -100_000_000_000,
        253_402_214_400,
        10**400,
        1e308,
        float("inf"),
        float("nan"),
        True,
    ],
)
def test_what_no_calendar_has_is_refused(told: str | float) -> None:
    with pytest.raises(ValueError, match=r"is no .*time"):
        from_instant(told)
