"""The rule engine: told what was measured and when, it answers with alarm transitions. Pure.

*Watch time.* Everything is judged on *watch time*: milliseconds that run with the monotonic clock,
set to UTC at a start and never set back (`clock.WatchTime`). UTC is watch time plus an offset;
when the wall clock steps, the offset changes and is written down, and no order, delay or deadline
bends. A machine without a battery-backed clock, which wakes in 1970, goes on from the last instant
that the store knows.

Deadlines, not ticks: what falls due at 12:00:03 is dated 12:00:03 however late the engine is
asked.

*A pause* is told apart from that. The engine's thread looks around once a second at least; when it
did not for over 10 s of life (`Clock.life_ms`), it tells the engine a journal entry `pause` before
anything else. Time passes up to its beginning, then silence counts anew from its end, as after a
reconnect (what breaks often enough is counted on, or it would be put off for ever), and delays
that run end so much later. Staleness is not put off: nothing may be judged by what is that old.
What waited in the socket is backlog. A suspended machine is the same where its CLOCK_BOOTTIME ran
on; where that stood still no watch time passed, and only the offset steps. A test's clock lives
through what it lets pass, and misses what it lets `hang`.

*What came and is not judged* (unreadable, too late) the engine learns by entries `unheard`, at
once and then ever more seldom, up to every ten minutes, so that a replay words its alarms alike.

A reading is dated at its arrival, or carries a time of its own (SenML). Only the latter can come
out of order; they wait `lateness_s`, and later ones are stored and not judged.

The clock is injected (`clock.Clock`). `RatedClock` runs faster than life, for the demonstration
and for soak tests; nothing else sets a rate.

*The journal.* Beside the readings the store keeps everything else that the engine was told: start
and stop, connection and its loss, the clock's offset, the configuration in force, commands, faults
of store and delivery. Each input has a running number, and a transition is committed together with
the readings judged before it. So a replay of readings and journal gives the same transitions, with
the same times, as were raised live. That is a test; it is how a warm start works (the last saved
state of the engine, and what followed), and how a new setpoint can be tried on last month's data.

*The connection* (`watch/site.py`) is judged from `connect` and `disconnect` alone, so that a
replay agrees. `disconnect` says in `end` how a connection ended: Mosquitto 2.0.11 closes one that
was taken over without a word, also in MQTT 5, where 0x8E was due; so two that were closed before
they held, with no attempt that failed in between, count as much. A journal from before has no
`end`, and tells of no takeover. A silence that a reconnect lets begin anew keeps what a connection
shorter than itself has counted; else one that breaks every 45 s would put it off for ever.

*The client ID* (`service/startup.py`) lies in a file beside the store, since what the broker keeps
hangs on it and must outlive a damaged store. It is published nowhere but in `session-taken`
itself: who knows it can take the session. The heartbeat has `run` in its place, made up at each
start, by which the guard knows two watches that are heard by turns.

What can't be read is no input of the engine and not in the journal: it is counted by sensor, which
bounds it whatever is sent (`mqtt/backlog.py`), and the counts go along once a minute with what is
written anyway.

*What can't be judged.* No reading, journal row or reply from outside ends a thread. *In the
engine* (`watch/events.py`) a restore point is kept every 16,000 inputs, and what was told since.
Where judging raises, the engine is made anew from there and told the same again without the bad
input: exact, since judging is deterministic, and a list entry is all that it costs an input. A
deadline that raises is passed over: its alarm keeps its state. Three refused of one sensor within
an hour begin the observers of its devices anew from what they have learnt
(`DeviceObserver.restarted`); at each further one the sensor rests for a minute, for a way back
costs time. An alarm whose sentence raises is told plainly. A replay refuses the same, so nothing
of it need be written down.

*Before the engine* (`EngineLoop._take`) an item that raises is acknowledged, logged in one line
with its bytes, and told to the engine by journal entries `refused`, one a minute and topic at
most. Rows of the journal that another hand has spoilt reach the engine alone, which says so
(`Entry.is_whole`).
"""
