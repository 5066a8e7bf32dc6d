"""What a channel reports of one attempt to deliver a notice."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from cabinetwatch.store.notice import Notice


class Refusal(NamedTuple):
    """Why somebody was not told: one sentence, and whether trying again is useless."""

    error: str
    permanent: bool = False


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to deliver one notice.

    Each recipient tried is in `accepted` or in `refused`, unless `unreachable` says that the
    channel was never got hold of; nothing was handed over then, and nobody was refused. `in_doubt`:
    the connection broke so late that the channel may have taken the notice all the same.
    `connection_lost`: whoever comes next should wait, too. `told_elsewhere`: another alarm tells
    of this trouble, so it is no delivery fault.
    """

    accepted: tuple[str, ...] = ()
    refused: Mapping[str, Refusal] = field(default_factory=dict)
    unreachable: str | None = None
    in_doubt: bool = False
    connection_lost: bool = False
    told_elsewhere: bool = False


class Carrier(Protocol):
    """A channel: it carries one notice at a time, and blocks no longer than its time limits."""

    @property
    def recipients(self) -> tuple[str, ...]:
        """Everybody whom this channel tells."""
        ...

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to deliver a notice to these recipients."""
        ...

    def probe(self) -> Attempt:
        """Find out whether the channel can be reached, without delivering anything."""
        ...
