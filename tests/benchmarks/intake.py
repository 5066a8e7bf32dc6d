"""How many messages a second the whole watch takes in, against a client loop that does nothing.

    python -m tests.benchmarks.intake [--messages 100000] [--rounds 3] [--json]

A real broker; a process that floods it at QoS 1 on 50 topics, the sensors of ten devices, as fast
as the broker takes it. Against it, in turn: a paho client that connects with the same protocol and
receive window, acknowledges by itself and has an empty callback; and the daemon as a process of its
own, which decodes, judges, commits durably and only then acknowledges. Counted from the first
message published to the moment when 95 % have been received (bare loop) or stand committed in the
store (watch). Medians over the rounds. The store lies in the folder for temporary files (TMPDIR).
"""

import statistics
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.timing import command
from tests.service.site import Site
from tests.service.watching import WatchProcess
from tests.service.wire import wire
from tests.support.broker import Broker
from tests.support.flood import TOPICS, Flood

_ROOT = Path(__file__).parents[2]
PART = 0.95
GIVE_UP_S = 300.0
DEVICES = 10
_SENSOR = """
[sensors.flood-{number}]
topic = "flood/{number}"
quantity = "{quantity}"
interval_s = 2
silent_after = 10000
"""
_DEVICE = """
[devices.device-{number}]
temperature = "flood-{number}"
ambient = "flood-{ambient}"
power = "flood-{power}"
fan = "flood-{fan}"
derating = [[50.0, 1.0], [70.0, 0.5]]
"""
_QUANTITIES = ["temperature", "temperature", "power", "fan-speed", "temperature"]
TABLES = "".join(
    _SENSOR.format(number=number, quantity=_QUANTITIES[number // DEVICES])
    for number in range(TOPICS)
) + "".join(
    _DEVICE.format(number=number, ambient=number + 10, power=number + 20, fan=number + 30)
    for number in range(DEVICES)
)

BARE = """
import sys
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

wanted, count = int(sys.argv[2]), 0

def take(client, userdata, message):
    global count
    count += 1
    if count == wanted:
        print("received", flush=True)

properties = Properties(PacketTypes.CONNECT)
properties.ReceiveMaximum = 4000
client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.on_connect = lambda client, *_: client.subscribe("flood/#", 1)
client.on_subscribe = lambda *_: print("subscribed", flush=True)
client.on_message = take
client.connect("127.0.0.1", int(sys.argv[1]), properties=properties)
client.loop_forever()
"""


def bare_per_s(port: int, messages: int) -> float:
    """Give what a client that does nothing receives a second."""
    wanted = round(PART * messages)
    command = [sys.executable, "-c", BARE, str(port), str(wanted)]
    client = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert client.stdout is not None
        assert client.stdout.readline() == "subscribed\n"
        flood = Flood(port, messages, payload="warmth")
        try:
            assert client.stdout.readline() == "received\n"
            return wanted / (time.monotonic() - flood.began)
        finally:
            flood.close()
    finally:
        client.kill()
        client.communicate()


def watch_per_s(port: int, messages: int, folder: Path) -> float:
    """Give what the daemon commits a second."""
    site = Site(folder, port, tables=TABLES, flush_s=10.0)
    watch = WatchProcess(site.write())
    try:
        with wire(port) as cabinet:
            cabinet.wait_online()
        with site.store() as store:
            before = store.last_seq()
            flood = Flood(port, messages, payload="warmth")
            try:
                until = flood.began + GIVE_UP_S
                while (count := store.last_seq() - before) < PART * messages:
                    if time.monotonic() > until or not watch.running:
                        raise TimeoutError(f"only {count} were committed: {watch.log[-2000:]}")
                    time.sleep(0.02)
                return count / (time.monotonic() - flood.began)
            finally:
                flood.close()
    finally:
        watch.kill()


def measure(folder: Path, messages: int, rounds: int) -> dict[str, float]:
    """Measure both in turn."""
    bare, watch = [], []
    for number in range(rounds):
        broker = Broker(folder / f"broker-{number}", config_lines=["max_queued_messages 0"]).start()
        try:
            bare.append(bare_per_s(broker.port, messages))
            watch.append(watch_per_s(broker.port, messages, folder / f"watch-{number}"))
        finally:
            broker.stop()
    bare_median, watch_median = statistics.median(bare), statistics.median(watch)
    return {
        "bare_per_s": bare_median,
        "watch_per_s": watch_median,
        "ratio": watch_median / bare_median,
    }


def show(figures: dict[str, float]) -> None:
    """Print a table."""
    print(f"bare client loop   {figures['bare_per_s']:8.0f} messages a second")
    print(f"the whole watch    {figures['watch_per_s']:8.0f} readings a second, committed")
    print(f"ratio              {figures['ratio']:8.2f}")


if __name__ == "__main__":
    numbers = {"messages": (100_000, "how many"), "rounds": (3, "how often")}
    sys.exit(command(__doc__, numbers, measure, show))
