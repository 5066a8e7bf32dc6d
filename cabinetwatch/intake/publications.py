"""What is to be published or not confirmed yet, and whom to tell what became of it."""

from collections import deque

from cabinetwatch.intake.requests import Answer, Publication


class Publications:
    """Publications of one connection after another, by packet identifier.

    `most` is how many the broker takes before it has confirmed one; the others wait for their turn.
    """

    def __init__(self) -> None:
        self.most = 1
        self._queued: deque[Publication] = deque()
        self._waiting: dict[int, Answer] = {}
        # Unconfirmed in an earlier connection: the library sends them again (MQTT 5.0, 4.4).
        self._sent_again: set[int] = set()
        self._settled: list[tuple[Answer, bool]] = []

    def __len__(self) -> int:
        return len(self._waiting) + len(self._queued)

    def queue(self, publication: Publication) -> None:
        """One is to be sent when its turn comes."""
        self._queued.append(publication)

    def next(self) -> Publication | None:
        """Take out the next to be sent, if the broker takes one more now."""
        in_flight = len(self._waiting) + len(self._sent_again)
        return self._queued.popleft() if self._queued and in_flight < self.most else None

    def wait(self, packet_id: int, on_done: Answer) -> None:
        """One was sent that the broker is to confirm."""
        self._waiting[packet_id] = on_done

    def confirm(self, packet_id: int, *, accepted: bool) -> None:
        """The broker has answered; an answer to something unknown counts for nothing."""
        self._sent_again.discard(packet_id)
        on_done = self._waiting.pop(packet_id, None)
        if on_done is not None:
            self.settle(on_done, done=accepted)

    def settle(self, on_done: Answer, *, done: bool) -> None:
        """What became of one is known."""
        self._settled.append((on_done, done))

    def give_up(self) -> None:
        """The connection is gone: nobody will confirm what waits."""
        self._settled += [(on_done, False) for on_done in self._waiting.values()]
        self._settled += [(publication.on_done, False) for publication in self._queued]
        self._sent_again |= self._waiting.keys()
        self._waiting.clear()
        self._queued.clear()

    def forget(self) -> None:
        """The library's client is gone as well, with what it would have sent again."""
        self.give_up()
        self._sent_again.clear()

    def take_settled(self) -> list[tuple[Answer, bool]]:
        """Take out whom to tell what."""
        settled, self._settled = self._settled, []
        return settled
