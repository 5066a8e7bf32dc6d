"""Reading one table: into its model, or into sentences about everything that is wrong with it."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from cabinetwatch.config.base import CONTRADICTION, Table
from cabinetwatch.config.wording import Problems, show

AnyTable = TypeVar("AnyTable", bound=Table)


class Reader:
    """Reads tables and collects what is wrong with them.

    `folder` is where relative paths start and named files are looked for; None for a configuration
    out of the journal, which names none that must exist.
    """

    def __init__(self, problems: Problems, folder: Path | None) -> None:
        self.problems = problems
        self.folder = folder

    def table(self, model: type[AnyTable], raw: object, where: str) -> AnyTable | None:
        """Give the model of a table, or None once its faults are noted."""
        if not isinstance(raw, dict):
            self.problems.add(
                "", f"{where} = {show(raw)} is no table; write its keys below [{where}]"
            )
            return None
        try:
            return model.model_validate(raw, context={"folder": self.folder})
        except ValidationError as error:
            faults = [fault for fault in error.errors() if fault["type"] != CONTRADICTION]
        with_faulty_items = {fault["loc"][0] for fault in faults if len(fault["loc"]) > 1}
        for fault in faults:
            # Pydantic doesn't count faulty items, and goes on to miss them.
            if fault["type"] != "too_short" or fault["loc"][0] not in with_faulty_items:
                self.problems.add_error(where, model, fault)
        faulty = {str(fault["loc"][0]) for fault in faults}
        # Pydantic looks for contradictions only in a table without other faults.
        for key, text in model.contradictions(_right_values(model, raw, faulty)):
            self.problems.add(where, f"{key} {text}")
        return None

    def tables(self, raw: object, where: str) -> dict[str, dict[str, Any]]:
        """Give the tables within a table; what is none is noted and left out."""
        if not isinstance(raw, dict):
            self.problems.add("", f"{where} = {show(raw)} is no table; write [{where}.NAME]")
            return {}
        for name, inner in raw.items():
            if not isinstance(inner, dict):
                # A key in the table of all of them, or else a name of one.
                right = self.problems.places.of(name, is_table=False) or f"write [{where}.{name}]"
                self.problems.add(where, f"{name} = {show(inner)} is no table; {right}")
        return {name: inner for name, inner in raw.items() if isinstance(inner, dict)}


def _right_values(model: type[Table], raw: Mapping[str, Any], faulty: set[str]) -> dict[str, Any]:
    """Give the values of the keys that are right by themselves, by attribute name."""
    values: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in faulty:
            continue
        if key in raw:
            values[name] = raw[key]
        elif not field.is_required():
            values[name] = field.get_default(call_default_factory=True)
    return values
