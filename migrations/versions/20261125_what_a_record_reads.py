"""Indexes for what a record reads: counts by run, maps by wafer, and cure traces by both their ends."""

from alembic import op

revision = "what_a_record_reads"
down_revision = "origin_links"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_count_entry_run", "count_entry", ["run"])
    op.create_index("ix_wafer_map_wafer", "wafer_map", ["wafer"])
    op.drop_index("ix_cure_trace_station_last_at", "cure_trace")
    op.create_index("ix_cure_trace_station_last_at_first_at", "cure_trace", ["station", "last_at", "first_at"])


def downgrade() -> None:
    op.drop_index("ix_cure_trace_station_last_at_first_at", "cure_trace")
    op.create_index("ix_cure_trace_station_last_at", "cure_trace", ["station", "last_at"])
    op.drop_index("ix_wafer_map_wafer", "wafer_map")
    op.drop_index("ix_count_entry_run", "count_entry")
