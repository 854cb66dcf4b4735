"""Indexes for what grew with the history: holds that ended, of a record; an oven's later files; orders of lists."""

import sqlalchemy as sa
from alembic import op

revision = "level_with_history"
down_revision = "what_waits"
branch_labels = None
depends_on = None

_IN_FORCE = sa.text("closed_e is null")


def upgrade() -> None:
    op.create_index("ix_hold_kind_subject", "hold", ["kind", "subject"])
    op.drop_index("ix_hold_in_force", "hold")
    op.create_index("ix_hold_open_kind_subject", "hold", ["kind", "subject", "closed_e"], sqlite_where=_IN_FORCE, postgresql_where=_IN_FORCE)
    op.create_index(
        "ix_cure_trace_long", "cure_trace", ["station", "last_at", "first_at"],
        sqlite_where=sa.text("julianday(last_at) - julianday(first_at) > 7"), postgresql_where=sa.text("last_at - first_at > interval '7 days'"),
    )  # fmt: skip
    op.create_index("ix_pack_date_code", "pack", ["date_code", "item"])
    op.create_index("ix_pack_bin", "pack", ["bin", "item"])
    op.create_index("ix_run_started_at", "run", ["started_at"])


def downgrade() -> None:
    op.drop_index("ix_run_started_at", "run")
    op.drop_index("ix_pack_bin", "pack")
    op.drop_index("ix_pack_date_code", "pack")
    op.drop_index("ix_cure_trace_long", "cure_trace")
    op.drop_index("ix_hold_open_kind_subject", "hold")
    op.create_index("ix_hold_in_force", "hold", ["kind", "subject"], sqlite_where=_IN_FORCE, postgresql_where=_IN_FORCE)
    op.drop_index("ix_hold_kind_subject", "hold")
