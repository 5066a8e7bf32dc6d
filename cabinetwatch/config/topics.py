"""MQTT topic filters and topic names: what makes one well formed (MQTT 5.0, section 4.7)."""

_LONGEST_BYTES = 65535


def check_filter(topic_filter: str) -> str | None:
    """Say what is wrong with a topic filter, or None when it is well formed."""
    problem = _check_text(topic_filter)
    if problem is not None:
        return problem
    levels = topic_filter.split("/")
    for place, level in enumerate(levels, 1):
        if "+" in level and level != "+":
            return "has a + that does not stand alone between slashes"
        if "#" in level and (level != "#" or place != len(levels)):
            return "has a # that does not stand alone after the last slash"
    return None


def check_prefix(prefix: str) -> str | None:
    """Say what is wrong with the beginning of topics to publish under, or None."""
    problem = _check_text(prefix)
    if problem is not None:
        return problem
    if is_wildcard(prefix):
        return "has a wildcard"
    if prefix.startswith("$"):
        return "begins with $, which brokers keep for themselves"
    if prefix.startswith("/") or prefix.endswith("/"):
        return "begins or ends with a slash"
    return None


def is_wildcard(topic_filter: str) -> bool:
    """Whether the filter can match more than one topic."""
    return "+" in topic_filter or "#" in topic_filter


def _check_text(text: str) -> str | None:
    if not text:
        return "is empty"
    if "\0" in text:
        return "holds a NUL character (U+0000), which MQTT forbids"
    if len(text.encode()) > _LONGEST_BYTES:
        return f"has more than {_LONGEST_BYTES} bytes"
    return None


def common_levels(one: str, other: str) -> int:
    """Count the levels that two topics have in common from the start."""
    count = 0
    for mine, theirs in zip(one.split("/"), other.split("/"), strict=False):
        if mine != theirs:
            break
        count += 1
    return count
