"""The daemon: starts, joins and stops the parts; nothing below knows of it.

`service/parts.py` speaks sd_notify(3) by itself: a library for one datagram would be larger than
the datagram. `run` says READY when the threads run (a broker that is away is told by an alarm, and
is no reason to start again), RELOADING and READY around a SIGHUP, STOPPING at the end.

*What feeds the watchdog* (`service/parts.py`): the main thread looks every few seconds whether the
sign of life of each part has changed: network, engine, store, each channel of delivery. An idle
part still turns, once in 0.5 to 5 s. The limits allow for all that is no hang: a resolver that
hangs, a mail server that uses up the deadline of an attempt, and a disk that hangs. The store gets
ten minutes, since its fault is reported from memory after 10 s, and a watch that still sees is not
ended to save a record; the kernel ends a disk's silence with an error sooner than that, so what is
left is a deadlock of ours, which only a new start mends. They are counted on CLOCK_MONOTONIC: a
suspended machine makes no progress and is not blamed. Summary and page do not count: their work is
done by children with time limits. A thread that dies ends the process with status 1.

*A service that fails.* On systemd before 254 a unit with Restart=always never enters `failed`, so
OnFailure= alone mails nothing (tried on 252); ExecStopPost= starts the mailer in its place. The
mailer's stamp is in /run: a full disk may be why it runs.

*The guard* (`service/guard.py`) takes only heartbeats that come by themselves as a sign of life;
the broker's retained copy may be of any age. It uses a client name of its own, so a copy of the
watch's configuration serves.
"""
