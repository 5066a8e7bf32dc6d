"""Runs the steps on the connection, and within the transaction, that the caller holds."""

from alembic import context

from cabinetwatch.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
)
context.run_migrations()
