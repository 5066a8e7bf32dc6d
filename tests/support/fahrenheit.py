"""One text read in two units: that of a site in °F held against the same in °C and K."""

import re
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.text import TemperatureUnit

_FIGURE = re.compile(r"(?<![\w.])([-+\N{MINUS SIGN}]?)(\d+)(?:\.(\d+))?\s(°C|°F|K)(/\w+)?(?!\w)")
_SI = re.compile(r"°C|(?<!\w)K(?!\w)")
_NONE = "(figure)"


def in_fahrenheit(config: Config) -> Config:
    """Give the configuration of the same site whose people read °F."""
    site = config.site.model_copy(update={"temperature_unit": TemperatureUnit.FAHRENHEIT})
    return config.model_copy(update={"site": site})


def same(si: str, told: str) -> int:
    """Hold every figure of a text in °F against the text in °C and K; give how many there are.

    All but the temperatures must be the same, however lines and columns are broken.
    """
    assert not _SI.search(told), told
    assert _words(si) == _words(told)
    pairs = list(zip(_FIGURE.finditer(si), _FIGURE.finditer(told), strict=True))
    for one, other in pairs:
        assert one[5] == other[5]
        # °F = 9/5 °C + 32 (NIST SP 811, appendix B.9, from memory); a difference has no zero.
        expected = 1.8 * _value(one) + (32.0 if one[4] == "°C" else 0.0)
        doubt = 1.8 * _half_a_digit(one) + _half_a_digit(other)
        assert abs(_value(other) - expected) <= doubt + 1e-9, (one[0], other[0])
    return len(pairs)


def _words(text: str) -> list[str]:
    return re.sub("[─-]{2,}", " ", _FIGURE.sub(_NONE, text)).split()


def _value(figure: re.Match[str]) -> float:
    sign = -1.0 if figure[1] in ("-", "\N{MINUS SIGN}") else 1.0
    return sign * float(f"{figure[2]}.{figure[3] or 0}")


def _half_a_digit(figure: re.Match[str]) -> float:
    return 0.5 * 10.0 ** -len(figure[3] or "")


def sentences_apart(si: Any, told: Any) -> tuple[Any, Any]:
    """Give two JSON answers without what is prose in them, once that has been held together."""
    if isinstance(si, dict):
        assert si.keys() == told.keys()
        pairs = {key: sentences_apart(si[key], told[key]) for key in si}
        return {k: one for k, (one, _) in pairs.items()}, {k: two for k, (_, two) in pairs.items()}
    if isinstance(si, list):
        both = [sentences_apart(*each) for each in zip(si, told, strict=True)]
        return [one for one, _ in both], [two for _, two in both]
    if isinstance(si, str) and " " in si:
        same(si, told)
        return None, None
    return si, told
