"""How a summary says how often and how much. Pure."""


def times(count: int) -> str:
    """Say how often.

    >>> times(0), times(1), times(2), times(3)
    ('never', 'once', 'twice', '3 times')
    """
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def percent(part: float) -> str:
    """Write a part in per cent, never rounded up to all of it.

    >>> percent(0.95617), percent(0.99999), percent(1.0)
    ('95.6 %', '99.9 %', '100 %')
    """
    return f"{min(99.9, 100 * part):z.1f} %" if part < 1 else "100 %"


def capital(sentence: str) -> str:
    """Begin a sentence with a capital letter."""
    return sentence[:1].upper() + sentence[1:]
