"""MQTT topic filters: what they match, and how overlapping ones become one.

The rules are those of MQTT 5.0 section 4.7, which are the same in 3.1.1.
"""

from collections.abc import Iterable


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic name is matched by a filter."""
    return covers(topic_filter, topic)


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic that the filter `narrow` matches is matched by `wide` too."""
    return _covers_levels(wide.split("/"), narrow.split("/"))


def fold(filters: Iterable[str]) -> list[str]:
    """Give filters that match at least the same topics, and no topic twice.

    A broker may deliver a message once for every filter that matches it (MQTT 5.0, 3.3.4). A filter
    covered by another is left out; two that overlap without one covering the other become the
    narrowest one that covers both. That may bring topics nobody asked for, which nobody decodes.
    """
    folded: list[list[str]] = []
    for topic_filter in filters:
        joined = topic_filter.split("/")
        # A wider filter may reach others that the narrower ones did not: begin again with it.
        while (other := _find_overlap(folded, joined)) is not None:
            folded.remove(other)
            joined = _join(other, joined)
        folded.append(joined)
    return sorted("/".join(levels) for levels in folded)


def _covers_levels(wide: list[str], narrow: list[str]) -> bool:
    if wide[0] in {"+", "#"} and narrow[0].startswith("$"):
        return False  # a leading wildcard doesn't match topics that begin with $ (4.7.2)
    for place, level in enumerate(wide):
        if level == "#":
            return True
        if place >= len(narrow) or narrow[place] == "#":
            return False
        if level not in {"+", narrow[place]}:
            return False
    # `narrow` may still be longer; `sport/#` matches `sport` itself, which is longer by its #.
    return len(narrow) == len(wide)


def _find_overlap(filters: list[list[str]], levels: list[str]) -> list[str] | None:
    return next((other for other in filters if _overlap(other, levels)), None)


def _overlap(one: list[str], other: list[str]) -> bool:
    """Whether some topic is matched by both."""
    for first, second in ((one[0], other[0]), (other[0], one[0])):
        if first in {"+", "#"} and second.startswith("$"):
            return False
    for mine, theirs in zip(one, other, strict=False):
        if "#" in (mine, theirs):
            return True
        if mine != theirs and "+" not in (mine, theirs):
            return False
    longer, shorter = (one, other) if len(one) > len(other) else (other, one)
    return len(longer) == len(shorter) or longer[len(shorter)] == "#"


def _join(one: list[str], other: list[str]) -> list[str]:
    """Give the narrowest filter that covers two which overlap."""
    if _covers_levels(one, other):
        return one
    if _covers_levels(other, one):
        return other
    joined: list[str] = []
    for mine, theirs in zip(one, other, strict=False):
        if "#" in (mine, theirs):
            return [*joined, "#"]
        joined.append(mine if mine == theirs else "+")
    return joined if len(one) == len(other) else [*joined, "#"]
