"""The engine and the store lived through at any speed, without broker, threads and waiting.

What the daemon does with what it is told, for a simulation that is over in seconds: readings are
judged and kept, transitions follow, tiers are brought up and weeks closed, each at its instant.
"""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.service.planner import Planner
from cabinetwatch.service.sampling import FigureSampler
from cabinetwatch.store.batch import Batch
from cabinetwatch.store.prune import Now
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import DAY_MS
from cabinetwatch.store.warm import pack_state
from cabinetwatch.store.weeks import ClosedWeek
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.figures import device_figures
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.transition import Transition

_COMMIT_EVERY_MS = 6 * 3_600_000
_SAMPLE_EVERY_MS = 60_000
_LONG_UP_MS = 86_400_000


class Rehearsal:
    """One run of a watch that begins at an instant; watch time is UTC.

    Args:
        config: in force throughout.
        store: open for writing, and new.
        start_utc_ms: the beginning.
    """

    def __init__(self, config: Config, store: Store, start_utc_ms: int) -> None:
        self._store = store
        self._engine = Engine(config)
        self._planner = Planner()
        self._sampler = FigureSampler()
        self._batch = Batch(start_utc_ms, 0)
        self._next_commit = start_utc_ms + _COMMIT_EVERY_MS
        self._next_sample = start_utc_ms
        self._next_round = start_utc_ms + DAY_MS
        start = {
            "offset_ms": 0,
            "boot_ms": start_utc_ms - _LONG_UP_MS,
            "ran_until_ms": None,
        }
        self._batch.inputs.append(
            Entry(start_utc_ms, EntryKind.CONFIG, {"config": config.as_json()})
        )
        self._tell(Entry(start_utc_ms, EntryKind.START, start))
        self._tell(Entry(start_utc_ms, EntryKind.CONNECT, {"session_present": False}))

    def live(self, utc_ms: int, values: Mapping[str, float]) -> None:
        """Take what the sensors read at an instant, and let time have come that far."""
        for sensor, value in values.items():
            reading = Reading(sensor, utc_ms, value)
            self._batch.inputs.append(reading)
            self._follow(self._engine.observe(reading))
        self._follow(self._engine.advance(utc_ms))
        if utc_ms >= self._next_sample:
            self._next_sample = utc_ms + _SAMPLE_EVERY_MS
            self._batch.figures += self._sampler.sample(utc_ms, device_figures(self._engine))
        if utc_ms >= self._next_commit:
            self._next_commit = utc_ms + _COMMIT_EVERY_MS
            self._commit()
        if utc_ms >= self._next_round:
            self._next_round = utc_ms + DAY_MS
            self._tidy()

    def obey(self, command: Mapping[str, Any], alarm: tuple[str, str] | None = None) -> None:
        """Carry out a person's command now.

        Args:
            command: as the watch takes it.
            alarm: subject and condition of the standing alarm that it is about; its id is added.

        Raises:
            ValueError: the watch can't obey.
        """
        known = dict(command)
        if alarm is not None:
            known["id"] = self._engine.alarms["/".join(alarm)].id
        self._tell(Entry(self._engine.now, EntryKind.COMMAND, known))
        answer = self._engine.answer
        if answer is None or not answer.ok:
            raise ValueError(f"{command}: {answer and answer.text}")

    def close_week(self, week: IsoWeek) -> None:
        """Freeze the figures of a week that is over."""
        self._commit()
        self._tidy()
        now = self._engine.now
        figures = WeekMaker(self._store, None, now).make(week).as_json()
        self._store.commit(Batch(now, 0, weeks=[ClosedWeek(week.name, now, figures)]))

    def pause(self) -> None:
        """Have all that was lived through in the store."""
        self._batch.figures += self._sampler.rest()
        self._batch.state = pack_state(self._engine)
        self._commit()
        self._tidy()

    def _tell(self, entry: Entry) -> None:
        self._batch.inputs.append(entry)
        self._follow(self._engine.tell(entry))

    def _follow(self, transitions: list[Transition]) -> None:
        if transitions:
            self._batch.transitions += transitions
            self._batch.notices += self._planner.plan(transitions, self._engine)

    def _commit(self) -> None:
        self._batch.advanced_to = self._engine.now
        self._store.commit(self._batch)
        self._batch = Batch(self._engine.now, 0)

    def _tidy(self) -> None:
        for _ in self._store.tidy(Now(self._engine.now, self._engine.now)):
            pass
