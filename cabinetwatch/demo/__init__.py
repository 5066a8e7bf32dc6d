"""The demonstration: a simulated cabinet, its sensor nodes, a broker and a mail drop, all local.

`demo/cabinet.py` is the physics: per device a part node and a chassis node, the cabinet's air and
its wood, the hall with day and night; a fan whose air flow sets a conductance; free convection
from the case. Explicit steps of at most 5 s. `tests/demo/test_cabinet.py` holds it to the
conservation of energy. `demo/story.py` says what happens and what the watch must have told by
when; `cabinetwatch demo` ends with status 1 and says by name what was missing. It learns what the
watch found over MQTT and from the mails, as any program in the house would.

Beside the live evening a child of low priority lets the same cabinet live through a fortnight
(`demo/story.py`) into a store of its own, and makes summary and page of it.
`service.offline.OfflineRun` is engine and store without broker, threads and waiting. The page is a
record: it does not refresh.

The embedded broker (amqtt) speaks MQTT 3.1.1 only and forgets a message that isn't acknowledged
within 5 s. It is there so that the demonstration needs no root and no installation; every test of
the watch itself runs against Mosquitto.
"""
