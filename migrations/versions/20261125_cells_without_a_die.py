"""What left a panel through good cells without a logged die; rows for what is there already.

A panel that logs tell of in part has such cells; which they are, the program derives as it does afterwards.
"""

import sqlalchemy as sa
from alembic import op

revision = "cells_without_a_die"
down_revision = "corrections"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "bare_exit",
        sa.Column("child", _NUMBER, autoincrement=False, nullable=False),
        sa.Column("panel", _NUMBER, autoincrement=False, nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("round", _NUMBER, autoincrement=False, nullable=False),
        sa.ForeignKeyConstraint(["child"], ["item.id"], name=op.f("fk_bare_exit_child_item")),
        sa.ForeignKeyConstraint(["panel"], ["panel.item"], name=op.f("fk_bare_exit_panel_panel")),
        sa.PrimaryKeyConstraint("child", "panel", "step", "round", name=op.f("pk_bare_exit")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("bare_exit")
