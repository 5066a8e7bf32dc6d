"""Sensor nodes that publish in rounds, on a clock that goes on once the watch has heard them."""

from collections.abc import Callable

from cabinetwatch.service.daemon import Daemon
from tests.service.watching import wait_until
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock

_MOST_ROUNDS = 5000


class Nodes:
    """`values` maps topics to what is published on them; one taken out is a node that is dead."""

    def __init__(
        self,
        cabinet: Wire,
        daemon: Daemon,
        clock: HandClock,
        values: dict[str, float],
        every_s: float = 20.0,
    ) -> None:
        self.values, self.every_s = values, every_s
        self._cabinet, self._daemon, self._clock = cabinet, daemon, clock
        self._names = {sensor.topic: name for name, sensor in daemon.config.sensors.items()}

    def round(self) -> None:
        """Publish every value once, wait until the watch has heard it, and let time pass."""
        began_t = self._daemon.watch.now_ms()
        for topic, value in self.values.items():
            self._cabinet.publish(topic, f"{value:.3f}")
        wait_until(lambda: self._heard_since(began_t), "the watch to hear the nodes")
        self._clock.let_pass(self.every_s)

    def live(self, seconds: float) -> None:
        """Publish for so long."""
        for _ in range(round(seconds / self.every_s)):
            self.round()

    def live_until(self, holds: Callable[[], bool], what: str) -> None:
        """Publish until something holds."""
        for _ in range(_MOST_ROUNDS):
            if holds():
                return
            self.round()
        raise TimeoutError(f"waited for {what}")

    def _heard_since(self, t: int) -> bool:
        sensors = self._daemon._engine_loop._engine.model.sensors
        last = (sensors[self._names[topic]].last_live_t for topic in self.values)
        return all(each is not None and each >= t for each in last)
