"""Makes the figures of a week out of the store."""

from collections.abc import Callable, Sequence
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import display_names
from cabinetwatch.report.charts import operator_log
from cabinetwatch.report.summary_measures import (
    WEEK_MS,
    WeekNotices,
    alarms_of,
    device_week,
    drift_of,
    hidden_of,
    measures_of,
    sensor_week,
    watch_week,
)
from cabinetwatch.report.summary_week import (
    KINDS,
    VERSION,
    DeviceWeek,
    History,
    IsoWeek,
    Remark,
    SensorWeek,
    Span,
    Week,
    history_of,
    weeks_lived,
    within,
)
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.replay import StoreFollower, in_force
from cabinetwatch.store.store import Store
from cabinetwatch.text import ConfigError, UsageError
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, EntryKind, Transition


class WeekMaker:
    """Makes weeks of one store at one instant.

    Args:
        store: to read.
        config: counts while the store has none in force; None: there must be one.
        now_utc_ms: what time it is.
    """

    def __init__(self, store: Store, config: Config | None, now_utc_ms: int) -> None:
        self._store = store
        self._fallback = config
        self._now_utc_ms = now_utc_ms
        self.zone = ZoneInfo(in_force(store, config).site.timezone)
        entries = [entry for _, entry in store.entries(*KINDS)]
        self._history = history_of(entries, store.last_t())

    def newest_closed(self) -> IsoWeek:
        """Give the newest week that is over."""
        return IsoWeek.of(self._now_utc_ms, self.zone).before()

    def frozen_or_made(self, week: IsoWeek) -> Week:
        """Give a week as it was frozen, else as the store has it.

        Raises:
            UsageError: it has not begun yet, or the store holds nothing of it.
        """
        closed = self._store.week(week.name)
        frozen = None if closed is None else Week.from_json(closed.figures)
        return frozen or self.make(week)

    def make(self, week: IsoWeek) -> Week:
        """Make a week of what the store holds.

        Raises:
            UsageError: it has not begun yet, or the store holds nothing of it.
        """
        span = week.begins_utc_ms(self.zone), week.ends_utc_ms(self.zone)
        self._require(week, span)
        config = self._config_at(span[1])
        return _Making(self._store, config, self._history, span, self._now_utc_ms).week(week.name)

    def _require(self, week: IsoWeek, span: Span) -> None:
        if span[0] > self._now_utc_ms:
            raise UsageError(f"The week {week.name} has not begun yet; name one that has")
        lived = weeks_lived(self._history.spans, self.zone)
        if not lived:
            raise UsageError(
                "The watch has never run with this store, so there is no week to tell of;"
                " `cabinetwatch run` starts it"
            )
        if week not in lived:
            first, last = lived[0].name, lived[-1].name
            known = f"{first} only" if first == last else f"weeks from {first} to {last}"
            raise UsageError(
                f"The watch did not run in {week.name}; its journal has {known}, so name such a one"
            )

    def _config_at(self, utc_ms: int) -> Config:
        """Give the configuration in force at an instant."""
        offset_ms, found = 0, None
        kinds = EntryKind.START, EntryKind.OFFSET, EntryKind.CONFIG
        for _, entry in self._store.entries(*kinds):
            if entry.kind is not EntryKind.CONFIG:
                offset_ms = int(entry.data["offset_ms"])
            elif found is None or entry.t + offset_ms < utc_ms:
                found = entry.data["config"]
        try:
            if found is not None:
                return configuration.restore(found)
        except ConfigError:
            # Of another version of ours; the present one names most of the same things.
            pass
        return in_force(self._store, self._fallback)


class _Making:
    """One week on its way."""

    def __init__(
        self, store: Store, config: Config, history: History, span: Span, now_utc_ms: int
    ) -> None:
        self._store = store
        self._config = config
        self._history = history
        self._now_utc_ms = now_utc_ms
        self._week = span
        # As far as there is anything of it.
        self._span = span[0], min(span[1], now_utc_ms)
        self._names = display_names(config)
        self._room = store.room()
        self._tier = Tier.MINUTES if self._has_minutes() else Tier.QUARTERS
        self._running = within(history.spans, *self._span)
        self._transitions = store.transitions(*span)

    def week(self, name: str) -> Week:
        """Give all of it."""
        sensors = self._sensors()
        standing = self._store.standing(self._week[1])
        alarms = alarms_of(self._histories(standing), self._names, self._span)
        days = (self._span[1] - self._span[0]) / DAY_MS
        told = WeekNotices.of(
            self._store.notices(*self._span),
            self._config.notify.quiet,
            ZoneInfo(self._config.site.timezone),
        )
        readings = sum(sensor.readings for sensor in sensors)
        room = self._room if self._is_fresh else None
        return Week(
            version=VERSION,
            week=name,
            site=self._config.site.name,
            timezone=self._config.site.timezone,
            from_utc_ms=self._week[0],
            to_utc_ms=self._week[1],
            made_utc_ms=self._now_utc_ms,
            minutes=self._tier is Tier.MINUTES,
            devices=self._devices(),
            sensors=sensors,
            alarms=alarms,
            measures=measures_of(self._transitions, alarms, self._names, days, self._off_delay_s()),
            hidden=hidden_of(standing, self._names),
            watch=watch_week(self._history, self._span, told, readings, room),
            remarks=[
                Remark(deed.utc_ms, deed.text)
                for deed in operator_log(self._store)
                if self._week[0] <= deed.utc_ms < self._week[1]
            ],
        )

    @property
    def _is_fresh(self) -> bool:
        """Whether what is true now was, near enough, when the week ended."""
        return self._now_utc_ms < self._week[1] + WEEK_MS

    def _has_minutes(self) -> bool:
        """Whether the minutes of the week are still there, as far as anything of it is."""
        minutes, quarters = self._room.oldest_minutes_utc_ms, self._room.oldest_quarters_utc_ms
        return minutes is not None and minutes <= max(self._week[0], quarters or 0)

    def _devices(self) -> list[DeviceWeek]:
        engine = self._engine()
        return [
            device_week(
                self._store,
                device_id,
                self._config.name_of(device_id),
                week=self._week,
                tier=self._tier,
                drift=None if engine is None else drift_of(engine, device_id),
            )
            for device_id in self._config.devices
        ]

    def _engine(self) -> Engine | None:
        return StoreFollower(self._store, self._config).engine() if self._is_fresh else None

    def _sensors(self) -> list[SensorWeek]:
        unreadable = self._store.unreadable_between(*self._span)
        return [
            sensor_week(
                self._store,
                sensor_id,
                sensor,
                week=self._span,
                running=self._running,
                tier=self._tier,
                transitions=self._transitions,
                unreadable=unreadable.get(sensor_id, 0),
            )
            for sensor_id, sensor in self._config.sensors.items()
        ]

    def _histories(self, standing: Sequence[Transition]) -> list[list[Transition]]:
        """Give for each occurrence of the week all of its transitions up to the week's end."""
        histories: dict[str, list[Transition]] = {}
        for each in self._transitions:
            histories.setdefault(each.id, []).append(each)
        began_before = {each.id for each in standing} - histories.keys()
        for alarm_id, history in histories.items():
            if history[0].previous is not AlarmState.NORMAL:
                began_before.add(alarm_id)
        for alarm_id in sorted(began_before):
            histories[alarm_id] = self._store.transitions(
                to_utc_ms=self._week[1], alarm_id=alarm_id
            )
        return list(histories.values())

    def _off_delay_s(self) -> Callable[[str, str], float | None]:
        def off_delay_s(condition: str, subject: str) -> float | None:
            try:
                return self._config.alarm(condition, subject).off_delay_s
            except KeyError:
                return None

        return off_delay_s
