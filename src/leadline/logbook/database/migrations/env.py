"""What Alembic runs: the revisions, on the connection and in the transaction of whoever asks for them."""

from alembic import context

from leadline.logbook.database.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite changes a table by making it anew
)
context.run_migrations()
