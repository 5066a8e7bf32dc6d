"""What was published and not confirmed yet, and whom to tell what became of it."""

from collections.abc import Callable

Answer = Callable[[bool], None]


class Publications:
    """Publications of one connection after another, by packet identifier."""

    def __init__(self) -> None:
        self._waiting: dict[int, Answer] = {}
        self._settled: list[tuple[Answer, bool]] = []

    def __len__(self) -> int:
        return len(self._waiting)

    def wait(self, packet_id: int, on_done: Answer) -> None:
        """One was sent that the broker is to confirm."""
        self._waiting[packet_id] = on_done

    def confirm(self, packet_id: int, *, accepted: bool) -> None:
        """The broker has answered; an answer to something unknown counts for nothing."""
        on_done = self._waiting.pop(packet_id, None)
        if on_done is not None:
            self.settle(on_done, done=accepted)

    def settle(self, on_done: Answer, *, done: bool) -> None:
        """What became of one is known."""
        self._settled.append((on_done, done))

    def give_up(self) -> None:
        """The connection is gone: nobody will confirm what waits."""
        self._settled += [(on_done, False) for on_done in self._waiting.values()]
        self._waiting.clear()

    def take_settled(self) -> list[tuple[Answer, bool]]:
        """Take out whom to tell what."""
        settled, self._settled = self._settled, []
        return settled
