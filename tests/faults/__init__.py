"""Faults of the world around the watch, each on the real thing: what is told, what is lost.

`tests/faults` spoils the world around a real daemon: disk, database file, broker, mail server,
clock, its own threads. README.md here names the test of each fault; a new fault gets a
line and a test. Some tricks that work everywhere, also without root: `prlimit` with RLIMIT_FSIZE
lets the kernel refuse the writes of one running process; another connection's `BEGIN IMMEDIATE`
holds the database; a variant of the daemon is a module that changes one thing and calls `main`
(`tests.faults.dying`, `tests.faults.impatient`, `tests.service.variants`). Where the kernel lets
us mount, the full disk is a file system of its own.

`tests/faults/soak.py` drives the daemon through weeks on a clock that jumps on once a round has
been heard (`tests.service.driven`), with faults at random from a fixed seed; an hour in the suite,
a day and a month with `--long`. `python -m tests.benchmarks.budgets` measures the budgets, each
beside a yardstick.
"""
