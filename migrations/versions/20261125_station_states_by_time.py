"""Find what was said of a station in a span of time by an index."""

from alembic import op

revision = "station_states_by_time"
down_revision = "the_record"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_station_state_station_since", "station_state", ["station", "since"])


def downgrade() -> None:
    op.drop_index("ix_station_state_station_since", table_name="station_state")
