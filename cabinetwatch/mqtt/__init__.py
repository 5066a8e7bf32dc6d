"""From the broker to readings: the MQTT session, payload decoding, recordings.

*What comes in is bounded* (`mqtt/backlog.py`): bytes that wait, not messages. When they are too
many the network thread leaves the socket unread, so that TCP and the broker hold the rest; pings
and acknowledgements go on, and a message is read now and then, because the library gives up a
connection on which no byte came for a keepalive. Messages wait in queues by the sensors that they
feed, and the queues take turns: the order within a sensor, and so the journal, is as before. A
broker has one queue for us, so a flood that lasts is refused beyond its share. `python -m
tests.benchmarks.flooded` floods a daemon and measures memory and the delay of another sensor's
alarm.
"""
