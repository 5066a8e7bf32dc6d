"""One alarm, from its condition's first sign to normal again: the non-latching life cycle.

States and edges are those of ISA-18.2 / IEC 62682 without latching (the diagram from memory).
"""

import hashlib
from typing import Any

from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.transition import AlarmState

_ID_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_ID_LENGTH = 8


class Alarm:
    """One condition of one subject, with its delays, its acknowledgement and what hides it.

    `active` is the condition after its delays; `state` is what was last told. Judging goes on
    unseen while something hides the alarm. All instants are watch time (ms).
    """

    def __init__(self, condition: Condition, order: int) -> None:
        self.condition = condition
        self.order = order
        self.hides: list[Alarm] = []
        self.hidden_by: list[Alarm] = []
        self.state = AlarmState.NORMAL
        self.id = ""
        self.raw: bool | None = False
        self.active = False
        self.acknowledged = False
        self.suppressed = False
        self._lingers = False
        self.pending_t: int | None = None
        self.since_t: int | None = None
        self.shelved_until_t: int | None = None
        self.out = False
        self.out_until_t: int | None = None
        self.withheld_by = ""
        """The trial that suppresses it by design, if one does."""
        self.remark = ""
        self.told_anew = False
        """Whether it is to be told although its state stays: hidden again, for another time."""
        """Who asked for the present shelving or service, and why."""

    @property
    def subject(self) -> str:
        """The device, the sensor, or `site`."""
        return self.condition.subject

    @property
    def called(self) -> str:
        """What people call its subject."""
        return self.condition.called

    @property
    def key(self) -> str:
        """SUBJECT/CONDITION, unique in a site."""
        return f"{self.condition.subject}/{self.condition.name}"

    @property
    def due(self) -> int | None:
        """The next instant at which it may change although nothing is measured."""
        instants = (
            self._pending_due,
            self.shelved_until_t,
            self.out_until_t,
            self.condition.due,
        )
        return min((t for t in instants if t is not None), default=None)

    @property
    def _pending_due(self) -> int | None:
        if self.pending_t is None:
            return None
        return self.pending_t + self._delay_ms

    @property
    def _delay_ms(self) -> int:
        condition = self.condition
        delay_s = condition.off_delay_s if self.active else condition.on_delay_s
        return round(delay_s * 1000)

    @property
    def stands(self) -> bool:
        """Whether it may hide others: its condition holds, it is in service, and can be told."""
        held = self.raw is False and not self.condition.hides_while_held
        return self.active and not held and not self.out and not self.withheld_by

    def judge(self, t: int, at: int | None = None) -> bool:
        """Ask the condition, and let its answer pass through the delays.

        Args:
            t: now; a change is dated so.
            at: when what is judged was measured, if earlier.

        Returns:
            Whether `active` changed, or what it explains, or suppression may end.
        """
        raw = self.condition.judge(t, self.active)
        changed = self.take(raw, t, t if at is None else at)
        return changed or (self._lingers and not self._recovers)

    def take(self, raw: bool | None, t: int, at: int) -> bool:
        """Let a judgement pass through the delays; see `judge`."""
        stood, self.raw = self.stands, raw
        if raw is None or raw == self.active:
            self.pending_t = None
            return self.stands is not stood
        if self.pending_t is None:
            self.pending_t = at
        if t < self.pending_t + self._delay_ms:
            return self.stands is not stood
        self._switch(raw, t)
        return True

    def put_off(self, ms: int) -> None:
        """Let a delay that runs end so much later: for so long nobody looked."""
        if self.pending_t is not None:
            self.pending_t += ms

    def _switch(self, active: bool, t: int) -> None:
        began_t = self.pending_t if self.pending_t is not None else t
        self.pending_t = None
        self.active = active
        if active:
            self.since_t = self.condition.began(began_t)
            self.acknowledged = False
            if not self.id:
                self._name(t)
        elif self._hidden:
            self.acknowledged = False

    def _name(self, t: int) -> None:
        """Give the occurrence its id: the same in every run over the same record."""
        digest = hashlib.blake2s(f"{self.key}@{t}".encode(), digest_size=5).digest()
        number = int.from_bytes(digest, "big")
        self.id = "".join(
            _ID_ALPHABET[number >> shift & 31] for shift in range(0, 5 * _ID_LENGTH, 5)
        )

    @property
    def _hidden(self) -> bool:
        return self.state in {
            AlarmState.SHELVED,
            AlarmState.SUPPRESSED,
            AlarmState.OUT_OF_SERVICE,
        }

    def expire(self, t: int) -> None:
        """End what has run out: shelving, a time out of service, a condition's wish to be asked."""
        if self.shelved_until_t is not None and self.shelved_until_t <= t:
            self.shelved_until_t = None
        if self.out_until_t is not None and self.out_until_t <= t:
            self.out_until_t = None
            self.out = False
        if self.condition.due is not None and self.condition.due <= t:
            self.condition.due = None

    def acknowledge(self) -> None:
        """Take note that somebody has seen this occurrence."""
        self.acknowledged = True

    def shelve(self, until_t: int) -> None:
        """Hide it until an instant; judging goes on."""
        self.shelved_until_t = until_t
        self.told_anew = self.state is AlarmState.SHELVED

    def unshelve(self) -> None:
        """Show it again."""
        self.shelved_until_t = None

    def take_out(self, until_t: int | None) -> None:
        """Take it out of service, for good or until an instant."""
        self.told_anew = self.state is AlarmState.OUT_OF_SERVICE
        self.out = True
        self.out_until_t = until_t

    def put_in(self) -> None:
        """Put it back into service."""
        self.out = False
        self.out_until_t = None

    def refresh_suppression(self) -> None:
        """Look whether a trial suppresses it, or one that explains it stands, or stood until now.

        The gear takes its time to cool once its fan turns again: until then that explains it still.
        """
        self.suppressed = bool(self.withheld_by) or any(o.stands for o in self.hidden_by)
        self._lingers = not self.suppressed and self._recovers
        self.suppressed = self.suppressed or self._lingers

    @property
    def _recovers(self) -> bool:
        return self.state is AlarmState.SUPPRESSED and self.active and self.condition.recovers()

    def settle(self, t: int) -> AlarmState | None:
        """Move to the state that follows from everything known; give the previous one if it moved.

        An alarm hidden by design shows so only while its condition holds: an alarm that is not
        there need not be hidden. One hidden by a person shows so throughout.
        """
        if self.state is AlarmState.SUPPRESSED and not self.suppressed and self.raw is False:
            # On its way back, only its off-delay still runs: that is nothing to raise anew.
            self._switch(active=False, t=t)
        previous, state = self.state, self._target()
        told_anew, self.told_anew = self.told_anew, False
        if state is previous and not told_anew:
            return None
        if not self.id:
            self._name(t)
        self.state = state
        return previous

    def end_at_once(self) -> AlarmState:
        """Go to normal unacknowledged, as only a momentary condition may; give the state before."""
        previous, self.state = self.state, AlarmState.NORMAL
        self.active = self.raw = False
        return previous

    def settled(self) -> None:
        """Forget the occurrence once it is normal and has been told so."""
        if self.state is AlarmState.NORMAL:
            self.id = ""
            self.since_t = None
            self.acknowledged = False
            self.remark = ""

    def _target(self) -> AlarmState:
        if self.out:
            return AlarmState.OUT_OF_SERVICE
        if self.shelved_until_t is not None:
            return AlarmState.SHELVED
        if self.active:
            if self.suppressed:
                return AlarmState.SUPPRESSED
            return AlarmState.ACKNOWLEDGED if self.acknowledged else AlarmState.UNACKNOWLEDGED
        if self._hidden or self.acknowledged or self.state is AlarmState.NORMAL:
            return AlarmState.NORMAL
        return AlarmState.RETURNED

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "state": self.state.value,
            "id": self.id,
            "raw": self.raw,
            "active": self.active,
            "acknowledged": self.acknowledged,
            "pending_t": self.pending_t,
            "since_t": self.since_t,
            "shelved_until_t": self.shelved_until_t,
            "out": self.out,
            "out_until_t": self.out_until_t,
            "remark": self.remark,
            "memory": self.condition.save(),
            "due": self.condition.due,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.state = AlarmState(state["state"])
        for name in (
            "id",
            "raw",
            "active",
            "acknowledged",
            "pending_t",
            "since_t",
            "shelved_until_t",
            "out",
            "out_until_t",
            "remark",
        ):
            setattr(self, name, state[name])
        self.condition.load(state["memory"])
        self.condition.due = state["due"]
