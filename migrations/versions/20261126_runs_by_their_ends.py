"""runs by their ends: what a station was since a time is asked after each scan, and read all of its runs of a month"""

from alembic import op

revision = "runs_by_their_ends"
down_revision = "second_factors"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_run_station_ended_at", "run", ["station", "ended_at"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_run_station_ended_at", "run")
