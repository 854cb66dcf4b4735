"""Logger files that were replaced: the trace that was wrong, and the right one."""

import sqlalchemy as sa
from alembic import op

revision = "logger_files_replaced"
down_revision = "settled_seals"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "cure_trace_correction",
        sa.Column("replaces", _ID, autoincrement=False, nullable=False),
        sa.Column("trace", _ID, nullable=False),
        sa.Column("e", _ID, nullable=False),
        sa.ForeignKeyConstraint(["e"], ["entry.id"], name=op.f("fk_cure_trace_correction_e_entry"), initially="DEFERRED", deferrable=True),
        sa.ForeignKeyConstraint(["replaces"], ["cure_trace.id"], name=op.f("fk_cure_trace_correction_replaces_cure_trace")),
        sa.ForeignKeyConstraint(["trace"], ["cure_trace.id"], name=op.f("fk_cure_trace_correction_trace_cure_trace")),
        sa.PrimaryKeyConstraint("replaces", name=op.f("pk_cure_trace_correction")),
    )


def downgrade() -> None:
    op.drop_table("cure_trace_correction")
