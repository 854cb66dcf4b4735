"""Indexes for what waits (batches that expire, open packs, logs at fault), for families of lots and sets in loads; runs by their ends, without open ones.

Those of open rows name `closed_e` too: SQLite takes the index of which a condition uses the most columns.
"""

import sqlalchemy as sa
from alembic import op

revision = "what_waits"
down_revision = "runs_by_their_ends"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_batch_expires_at", "batch", ["expires_at"])
    op.create_index("ix_batch_supplier", "batch", ["supplier"])
    op.create_index("ix_load_place_set", "load_place", ["set"])
    op.create_index("ix_lot_root", "lot", ["root"])
    _partial("ix_pack_open_item", "pack", ["item", "closed_e"], "closed_e is null")
    _partial("ix_placement_sum_wrong", "placement_sum", ["id"], "wrong > 0")
    _open_ones("closed_e")
    op.drop_index("ix_run_station_ended_at", "run")
    _partial("ix_run_ended_station", "run", ["station", "ended_at"], "ended_at is not null")


def downgrade() -> None:
    op.drop_index("ix_run_ended_station", "run")
    op.create_index("ix_run_station_ended_at", "run", ["station", "ended_at"])
    _open_ones()
    op.drop_index("ix_placement_sum_wrong", "placement_sum")
    op.drop_index("ix_pack_open_item", "pack")
    op.drop_index("ix_lot_root", "lot")
    op.drop_index("ix_load_place_set", "load_place")
    op.drop_index("ix_batch_supplier", "batch")
    op.drop_index("ix_batch_expires_at", "batch")


def _open_ones(*more: str) -> None:
    for table, column in _OPEN:
        op.drop_index(f"ix_{table}_open_{column}", table)
        _partial(f"ix_{table}_open_{column}", table, [column, *more], "closed_e is null")


_OPEN = (
    ("run", "station"), ("station_state", "station"), ("attendance", "person"), ("attendance", "station"), ("content", "container"),
    ("content", "set"), ("mount", "item"), ("load", "station"), ("certificate", "person"),
)  # fmt: skip


def _partial(name: str, table: str, columns: list[str], where: str) -> None:
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))
