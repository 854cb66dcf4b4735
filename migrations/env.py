"""Alembic's door. The caller passes a connection in the config's attributes; `app/migrate.py` does."""

from alembic import context

from app.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
    transaction_per_migration=True,
)
with context.begin_transaction():
    context.run_migrations()
