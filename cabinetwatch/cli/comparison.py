"""What another setting would have changed: two lists of transitions, told in lines."""

from collections import Counter
from collections.abc import Iterator, Sequence

from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.transition import Transition

_MOST_LISTED = 20


def describe_difference(before: Sequence[Transition], after: Sequence[Transition]) -> Iterator[str]:
    """Tell in lines what was raised before and after a change of settings.

    Raises are counted by subject and condition; those that only one side has are listed.
    """
    raised_before, raised_after = _raises(before), _raises(after)
    counts_before, counts_after = _count(raised_before), _count(raised_after)
    if raised_before == raised_after and len(before) == len(after):
        yield "The change makes no difference on this record."
        return
    yield f"Alarms raised: {len(raised_before)} with the settings as they were,"
    yield f"               {len(raised_after)} with the change."
    for subject, condition in sorted(counts_before.keys() | counts_after.keys()):
        key = (subject, condition)
        yield f"  {subject} {condition}: {counts_before[key]} -> {counts_after[key]}"
    yield from _listed("Only with the settings as they were:", raised_before, raised_after)
    yield from _listed("Only with the change:", raised_after, raised_before)


def _raises(transitions: Sequence[Transition]) -> list[tuple[int, str, str]]:
    return [(t.utc_ms, t.subject, t.condition) for t in transitions if t.is_raise]


def _count(raised: Sequence[tuple[int, str, str]]) -> Counter[tuple[str, str]]:
    return Counter((subject, condition) for _, subject, condition in raised)


def _listed(
    heading: str, these: Sequence[tuple[int, str, str]], those: Sequence[tuple[int, str, str]]
) -> Iterator[str]:
    known = set(those)
    only = [each for each in these if each not in known]
    if not only:
        return
    yield heading
    for utc_ms, subject, condition in only[:_MOST_LISTED]:
        yield f"  {to_rfc3339(utc_ms)} {subject} {condition}"
    if len(only) > _MOST_LISTED:
        yield f"  and {len(only) - _MOST_LISTED} more"
