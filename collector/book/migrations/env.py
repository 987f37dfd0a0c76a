"""Alembic's entry: migrates over the connection that `collector.book.upgrade` hands it, inside its transaction."""

from alembic import context

from collector.book.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite alters a table by copying it
)
with context.begin_transaction():
    context.run_migrations()
