"""Notices, the entries of the outbox, and what became of them."""

from dataclasses import dataclass
from typing import Literal

from cabinetwatch.watch.transition import Transition

Channel = Literal["email", "mqtt", "command"]
"""The ways by which a notice reaches somebody."""

NoticeKind = Literal["raise", "return", "repeat", "change", "digest", "test", "summary", "again"]
"""Why a notice is written. `change` tells of a transition that is neither raise nor return,
`summary` of a week. `again` is never written: it gives a broker back what it should retain."""

Status = Literal["waiting", "delivered", "failed", "merged"]
"""What became of a notice. `waiting`: tried, to be tried again; `failed`: given up for good;
`merged`: told by another notice, a digest."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to tell by one channel, written together with the transitions it tells of.

    `id` is unique for ever. `t` is watch time (ms), `utc_ms` the same instant in UTC. `message_id`
    is fixed here, before the first attempt, so that a mail doubled by a kill can be told as a
    double; `in_reply_to` is the Message-ID of the raise this belongs to.

    A summary tells of `week`; its `transitions` are the returned alarms that it lists, which count
    as acknowledged once it is delivered. `recipients`, if any, are told in place of the channel's.
    """

    id: str
    channel: Channel
    kind: NoticeKind
    t: int
    utc_ms: int
    transitions: tuple[Transition, ...]
    message_id: str = ""
    in_reply_to: str | None = None
    recipients: tuple[str, ...] = ()
    week: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a notice after the latest attempt, at watch time `t` (ms).

    `attempts` counts all attempts so far. `recipients_done` are those the server has accepted,
    which no later attempt repeats. `merged_into` is the id of the digest that tells it instead.
    """

    notice_id: str
    status: Status
    t: int
    attempts: int = 0
    error: str = ""
    recipients_done: tuple[str, ...] = ()
    merged_into: str | None = None
