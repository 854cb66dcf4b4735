"""Indexes for what grew with the history: an oven's later runs, for a cure that is judged late; loads by the lots in them."""

import sqlalchemy as sa
from alembic import op

revision = "long_runs"
down_revision = "level_with_history"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(
        "ix_run_long", "run", ["station", "ended_at"],
        sqlite_where=sa.text("julianday(ended_at) - julianday(started_at) > 7"), postgresql_where=sa.text("ended_at - started_at > interval '7 days'"),
    )  # fmt: skip
    op.create_index("ix_load_place_lot", "load_place", ["lot"])


def downgrade() -> None:
    op.drop_index("ix_load_place_lot", "load_place")
    op.drop_index("ix_run_long", "run")
