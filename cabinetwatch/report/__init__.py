"""What people read: the weekly summary and the page. Reads the store, never the daemon.

All that reads it raises StoreError where it can't be read.

*The page.* `report/page.py` puts the present into words, `page_server.py` dresses them as one file
with its own style and script, whose hashes stand in its Content-Security-Policy: style and script
are always those of the file, and nothing else runs. The present is `store.replay.StoreFollower`:
an engine that reads only what is new at each look, so a page costs some milliseconds.
`page_server.py` stands on the standard library's server, whose documentation warns of its few
checks; so it serves page, icon and pictures alone, the pictures by names of plain letters out of
one folder, reads at most 16 KB in 10 s, and seats 24. A service that does more should stand on
something bigger.

Pictures are drawn from the tiers by a child of lowest priority, which ends: `report/canvas.py` is
the one place that knows matplotlib, and puts lines and texts straight on a figure, without axes.
That costs some 10 ms a picture; with axes 20 to 70. `python -m tests.benchmarks.page` measures the
whole over a year of data.

    figures every every_s:   run -> page --out DIR --every S --parent PID
    pictures every 5 min:           page --charts --out DIR

*Acting through the page.* `notify/links.py` signs a *grant* (incident, until when, for whom) with
the key beside the store; the daemon makes the key, mails carry grants, `report/actions.py` takes
them. The page's process asks as the command line does (`store.replay.ask_watch`), so the daemon
opens no socket. A GET never acts. A POST is taken when its `Origin` is the page's own, its form
was made for this very grant, and when what it was shown (state, priority, alarms) is still so:
nobody acknowledges what they have not seen, and a form that is sent again does nothing. Browsers
call the origin of a form `null` under `Referrer-Policy: no-referrer` (Fetch Standard, "append a
request Origin header"), so the pages of actions have `strict-origin`, which names no path either.
Sec-Fetch-Site is checked where it comes; without TLS it does not (Fetch Metadata: trustworthy URLs
alone). Cookies go to every port of a host, so theirs are for `/incident/` alone. The PIN's are
signed under a key made of key and PIN, and end with it.

*The weekly summary.* What is due is decided from the store at each tick (`report/summary_week.py`,
pure): a closed week that the watch ran in and that has no figures is frozen; one that is due and
has no notice gets one. So it does not matter when a tick comes. APScheduler only ticks, with a
trigger of ours that always counts from now: its own interval lists every run that a jump of the
clock has skipped, and waits for decades after a jump back; the engine's thread tells the ticker of
steps. After a start or a step of over a minute nothing is frozen or mailed for ten minutes: a
clock that is wrong for a moment closes no week.

Figures are reckoned, and the mail is made, by `report/summary_mail.py`, so that numpy and
matplotlib never enter the daemon. The notice (kind `summary`, one id a week) goes through the
outbox like any other; its mail is made before it is written, and again after a restart. It carries
the returned alarms that it lists. Those that have not moved since are acknowledged once its
delivery is on disk, by a command of its own that does nothing to an alarm that stands again.

    summary_make (store) -> summary_week.Week -> summary_words (sections) -> summary_mail
"""
