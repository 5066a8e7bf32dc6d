"""Before/after analysis of a change of cooling. Pure but for what it is handed.

Three parts. *The operator log* (`watch/trials.py`): `trial-begin`, `trial-phase`, `trial-end` are
commands in the journal; it follows from them, live and in a replay alike, and `watch/commands.py`
tells each alarm of the device whether the phase suppresses it. A suppressed alarm hides no other:
`hot-day` is told though `cooling-loss` stands unseen. *The analysis* (`trial/`), pure: cleaning,
windows, a fit over many thermal structures and loads weighed by their likelihood (`fit`),
steadiness by a published criterion, load, rises and time constants of both phases together
(`phases.tell_both`), hot day, verdict. A phase under way is judged at marks that grow by 5 %, so
that all who ask hear the same; each phase is fitted once. `python -m tests.benchmarks.trials`
measures coverage and width on a physics of its own: tune on nothing that it reports. *The report*
(`report/trial_*.py`): gathers readings out of the store or a file, says what the store no longer
has and what was read between the phases, puts the case together with the devices around it, and
words, pictures and page. Pruning spares the phases of told trials (`store/upkeep.py`).

scipy, numpy, matplotlib and tomlkit are for these commands alone: a test holds that none of them
enters the daemon. `trial end --apply` writes with tomlkit, so that comments survive, and sends
SIGHUP to the process that holds the store's lock.
"""
