"""The store: what the watch was told and what it said, in one SQLite file that survives a kill.

Whatever the disk or SQLite refuses is a StoreError, a sentence that names the file; of what was to
be written nothing is then.

*A damaged store.* Whose a file is, its header says; whether it is sound, only an ordinary open
with its log. After a checkpoint that was cut short the file alone looks damaged and is not, so a
start opens twice before it believes damage. Amid a run it is tried twice as well: then the store's
thread ends with `DamagedStoreError`, `Daemon.stop` has SQLite look through the file twice
(`is_sound`) and sets it aside, and `run` starts a daemon anew, as after SIGHUP. Whoever else finds
damage (`Database.reading` and `writing`, blocks that fail their checksum, records that can't be
taken apart: `store.place.whole`) leaves a report beside the store while a watch holds it
(`store.place.report_damage`); the store's thread looks for it twice a second and checks for
itself. What was not acknowledged comes again from the broker. Where even the header is gone,
`store/database.py` looks for what says that it was ours: the watch's mark in the lock beside it,
or SQLite's own list of our tables in the file or its log. A file without either is refused.

*Salvage.* A note (`....salvage`) is written before the files are renamed and is gone when all is
carried over, so that a kill at any point is made good by the next start. `store/salvage.py` reads
the file page by page, with its log if that is its own; the pointer map says which table a page
belongs to though all above it is gone. `store/salvage.py` begins the new store in one transaction
with all a watch goes on from, before anything else is written to it, then brings readings and
tiers beside the running watch, under their old numbers: those of the new watch are higher. Until
the note is gone nothing is condensed or pruned, or carrying over again would count twice. Missing
numbers are missing readings.

*A disk that goes on refusing* is let go of between two tries (`Store.let_go`, `take_up`): a kernel
that has made a file system read-only after an error lets nobody write again before it was
unmounted. The store is taken up only as it was left, nothing is made where there is none, and when
another one lies there the daemon ends with status 1: a new start goes on with that. The test has
an ext4 disk of its own where the kernel lets us mount.

*Records in memory* (`store/database.py`, `service/startup.py`): the folder is named after the
store that it stands in for, and locked. So `status` finds it, by the kernel's list of locks where
it may not look inside, and the next start removes what a killed watch has left.

*Whether a watch runs* (`store.database.find_watch`) is said by the lock of its store, or by one in
memory while its disk refuses; the lock file says whether a watch holds it or another writer.
Beside flock(2) the holder has a record lock: F_OFD_GETLK asks for that without taking anything,
also where /proc/locks can't be seen (ProcSubset=pid, in which the page is written). The heartbeat
only says how fresh what the store holds is: a watch is *mute* when neither it nor the lock is
younger than a minute, and as soon as it knows that it can't write: then it gives up a part of its
record lock, which a full disk takes as well, and a kill takes back.

*Replay after pruning* begins at the oldest reading that is left, told what was in force then
(`store.replay.from_oldest_reading`); `import` leaves out what is older than
`Store.raw_gone_before()`, because it would count twice in the tiers.

*Tiers and upkeep.* Every hour, and a minute after a start, the store's thread condenses what was
committed to minutes and quarter-hours of UTC: for each sensor the count, mean, least and greatest
of its readings (corrected by the offset then in force), for each device the same of its live
figures, which the engine's thread samples every 10 s and hands over by the minute. So a report
over a year never replays a reading. A part and the mark of how far the tiers have come are one
transaction: each reading is in them once, whatever happens; parts of a stretch merge without loss,
so that late readings need no care. When a day of UTC has been over for two hours its parts become
one block for each subject. `Store.series` and `Store.buckets` read them back, with what is not
condensed yet.

Pruning follows the keeping times, by watch time *and* UTC, so that a clock that was years off
makes nothing old, and never in the first hour of a run. What a warm start reads, what is not in
the tiers yet, the newest block, the newest journal entry of each kind, active alarms and untold
notices stay. All upkeep goes in steps of a fraction of a second, each its own transaction and
followed by four times its length of rest; up to 4 MB of free pages stay in the file, the rest goes
back to the disk.

Readings are written as one compressed block a flush. A row and an index entry for each reading
would write many times more, and wear out an SD card.

*A sensor with another ID.* `renamed_from` is carried out once, before a start reads anything
(`startup.rename_sensors`): one transaction writes the journal entry `rename` and hands over all
that is kept by subject and is not replayed (`store/inputs.py`: tiers, alarms, outbox, counts,
frozen weeks). Readings and journal stay as written. `Store.inputs` gives them with the names of
then, and the engine moves its state when it comes to the entry, so that warm start and replay are
exact: a device's memory, an alarm's `id`, all goes on. Everything else that reads the past
(`readings`, `stretches`, `entries`, the tiers' newest part) names each sensor as it is called
today, by the number of the input: an ID that is free again may be another sensor's. A `Replayer`
that is given the store's renames tells its transitions so, too.
"""
