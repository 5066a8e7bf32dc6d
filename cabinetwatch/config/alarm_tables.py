"""Reading the tables of alarm settings, those of the site and those of single subjects."""

from collections.abc import Mapping, Sequence
from typing import Any

from cabinetwatch.config.alarms import AlarmTables, ConditionSpec, SubjectKind
from cabinetwatch.config.reading import Reader
from cabinetwatch.config.wording import unknown

Tables = Mapping[str, Mapping[str, Any]]


def read_alarms(
    raw: Mapping[str, Any],
    sensors: Tables,
    devices: Tables,
    reader: Reader,
    conditions: Sequence[ConditionSpec],
) -> AlarmTables:
    """Check all tables of alarm settings, and give those of the site."""
    site_tables = reader.tables(raw.get("alarms", {}), "alarms")
    checker = _Checker(reader, conditions, site_tables)
    for name, table in site_tables.items():
        checker.check(name, table, "alarms")
    for subject, sensor in sensors.items():
        checker.check_subject("sensor", f"sensors.{subject}", sensor)
    for subject, device in devices.items():
        checker.check_subject("device", f"devices.{subject}", device)
    return site_tables


class _Checker:
    """Checks tables against the settings of the conditions they are named for."""

    def __init__(
        self, reader: Reader, conditions: Sequence[ConditionSpec], site_tables: AlarmTables
    ) -> None:
        self._reader = reader
        self._specs = {spec.name: spec for spec in conditions}
        self._site_tables = site_tables

    def check(self, name: str, table: dict[str, Any], where: str) -> bool:
        """Say whether a table is right by itself, and note what is wrong."""
        spec = self._specs.get(name)
        if spec is None:
            self._reader.problems.add(where, unknown("condition", name, self._specs))
            return False
        return self._reader.table(spec.settings, table, f"{where}.{name}") is not None

    def check_subject(self, kind: SubjectKind, where: str, subject: Mapping[str, Any]) -> None:
        """Check the alarm tables of one sensor or device."""
        tables = subject.get("alarms", {})
        if not isinstance(tables, dict):
            return  # noted when the subject's own table was read
        for name, table in tables.items():
            spec = self._specs.get(name)
            if not isinstance(table, dict):
                continue  # noted likewise
            if spec is not None and spec.subject != kind:
                self._note_wrong_kind(kind, f"{where}.alarms", spec)
            elif self.check(name, table, f"{where}.alarms") and spec is not None:
                # Each may be right by itself and the two contradict each other.
                merged = self._site_tables.get(name, {}) | table
                self._reader.table(spec.settings, merged, f"{where}.alarms.{name}")

    def _note_wrong_kind(self, kind: SubjectKind, where: str, spec: ConditionSpec) -> None:
        own_place = "" if spec.subject == "site" else f"[{spec.subject}s.ID.alarms.{spec.name}] or "
        self._reader.problems.add(
            f"{where}.{spec.name}",
            f"{spec.name} is a condition of a {spec.subject}, not of a {kind}; set it in"
            f" {own_place}[alarms.{spec.name}]",
        )
