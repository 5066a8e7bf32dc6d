"""Commands of people as rows: any process puts them, the daemon handles them."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from cabinetwatch.errors import StoreError
from cabinetwatch.store.schema import command as command_table


def add_command(connection: Connection, command: Mapping[str, Any], utc_ms: int) -> int:
    """Add a command; its id, by which the result can be asked for, is never used again."""
    row = insert(command_table).values(command=dict(command), utc_ms=utc_ms).returning(command_table.c.id)
    return int(connection.execute(row).scalar_one())


def waiting_commands(connection: Connection) -> list[tuple[int, Any]]:
    """Give the commands without a result, oldest first, as whoever put them has written them."""
    query = select(command_table.c.id, command_table.c.command).where(command_table.c.result.is_(None)).order_by(command_table.c.id)
    return [(row.id, row.command) for row in connection.execute(query)]


def write_results(connection: Connection, handled: list[tuple[int, Mapping[str, Any]]]) -> None:
    """Note what came of commands.

    Raises:
        StoreError: there is no such command.
    """
    for command_id, result in handled:
        changed = connection.execute(
            update(command_table).where(command_table.c.id == command_id).values(result=dict(result))
        )
        if changed.rowcount != 1:
            raise StoreError(f"The store knows no command {command_id}")


def result_of(connection: Connection, command_id: int) -> dict[str, Any] | None:
    """Give what came of a command; none as long as it waits."""
    result: dict[str, Any] | None = connection.scalar(
        select(command_table.c.result).where(command_table.c.id == command_id)
    )
    return result
