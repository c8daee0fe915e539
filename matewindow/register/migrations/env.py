"""What Alembic runs: the migrations on the connection that the program hands over."""

from __future__ import annotations

from alembic import context

from matewindow.register.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
