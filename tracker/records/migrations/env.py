"""Run the migrations on the connection handed over by `tracker.records.schema.upgrade`, inside its transaction."""

from alembic import context

from tracker.records.models import Base

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
