"""Deliveries by mail through a real server and a real store; time is pretended."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.config import Config
from cabinetwatch.notify.channels import EmailChannel
from cabinetwatch.notify.delivery import Delivery, Fault
from cabinetwatch.notify.people import Told
from cabinetwatch.notify.plan import Present, last_told, plan, plan_elsewhere
from cabinetwatch.notify.smtp import Timeouts
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch, Channel, Notice, Outcome
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Transition
from tests.notify.samples import NOON_MS
from tests.support.empty_store import put_empty_store
from tests.support.mail import MailDrop


class Arrival(NamedTuple):
    """A mail that came: when (ms), for whom, and what it is called up to the dash."""

    t: int
    recipients: tuple[str, ...]
    subject: str


class Post:
    """One delivery for each channel that mails, with their outbox in a store.

    As in a daemon, they share what they know of who was told.
    """

    def __init__(self, path: Path, config: Config, smtp: MailDrop, t: int = NOON_MS) -> None:
        self._url = database_url(path)
        self._config = config
        self._smtp = smtp
        self._seen = 0
        self.t = t
        self.forgetful = False
        self.timeouts = Timeouts()
        self.faults: list[Fault] = []
        self.arrived: list[Arrival] = []
        self.present: Present | None = None
        put_empty_store(self._url)
        self.store = Store.open(self._url)
        self.deliveries = self._start()

    def _start(self) -> list[Delivery]:
        email, posted = self._config.notify.email, self.store.notices()
        assert email is not None
        told = Told(posted)
        addresses = {"email": email.addresses} | {
            channel: (person.mail,) for channel, person in self._config.notify.mailed.items()
        }
        waiting, standing = self.store.waiting(), self.store.standing()
        gone, instead = plan_elsewhere(waiting, posted, standing, self._config)
        self._commit([], instead, [Outcome(each.id, "withdrawn", self.t) for each in gone])
        deliveries = []
        for channel, to in addresses.items():
            carrier = EmailChannel(
                *(self._config, email, None, self.timeouts),
                to=to,
                told=told,
                present=self.present,
            )
            delivery = Delivery(
                channel, carrier, self._config, self, present=self.present, told=told
            )
            last = last_told(notice for notice, _ in posted)
            lived = self.store.transitions()
            delivery.restore(self.store.waiting(), standing, lived, last, self.t)
            deliveries.append(delivery)
        return deliveries

    def kill(self, config: Config | None = None) -> None:
        """End without another word, and start anew on the same file, or another configuration."""
        self._config = config or self._config
        self.store.close()
        self.store = Store.open(self._url)
        self.deliveries = self._start()

    def keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        if self.forgetful and any(outcome.status == "delivered" for outcome in outcomes):
            return  # The power went between the server's 250 and our commit.
        self._commit([], notices, outcomes)
        for delivery in self.deliveries:
            delivery.add(notices)

    def channel_fault(self, channel: Channel, fault: Fault) -> None:
        assert channel == "email" or channel in self._config.notify.mailed
        self.faults.append(fault)

    def emit(self, *transitions: Transition) -> None:
        """Let transitions happen, and hand them over."""
        notices = self.write(*transitions)
        for delivery in self.deliveries:
            delivery.observe(transitions)
            delivery.add(notices)

    def write(self, *transitions: Transition) -> list[Notice]:
        """Let transitions happen and be written, and nobody hear of it yet."""
        notices = plan(transitions, self._config)
        self._commit(transitions, notices, [])
        return notices

    def run(self, seconds: float) -> None:
        end_t = self.t + round(seconds * 1000)
        while True:
            dues = [delivery.step(self.t, self.t) for delivery in self.deliveries]
            self._note_arrivals()
            due_t = min((due_t for due_t in dues if due_t is not None), default=None)
            if due_t is None or due_t > end_t:
                break
            self.t = max(self.t, due_t)
        self.t = end_t

    def status(self, notice_id: str) -> str | None:
        """Give what became of a notice."""
        found = {notice.id: outcome for notice, outcome in self.store.notices()}[notice_id]
        return None if found is None else found.status

    def _note_arrivals(self) -> None:
        for mail in self._smtp.messages[self._seen :]:
            subject = str(mail.message["Subject"]).partition(" - ")[0]
            self.arrived.append(Arrival(self.t, tuple(mail.recipients), subject))
        self._seen = len(self._smtp.messages)

    def _commit(
        self,
        transitions: Sequence[Transition],
        notices: Sequence[Notice],
        outcomes: Sequence[Outcome],
    ) -> None:
        self.store.commit(
            Batch(
                advanced_to=self.t,
                offset_ms=0,
                transitions=list(transitions),
                notices=list(notices),
                outcomes=list(outcomes),
            )
        )
