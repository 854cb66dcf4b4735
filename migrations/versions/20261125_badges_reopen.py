"""Let a badge alone open a session anew, at the terminal where its owner gave the PIN within the shift."""

import sqlalchemy as sa
from alembic import op

revision = "badges_reopen"
down_revision = "unit_file_corrections"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("sign_in", sa.Column("reopens_until", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    op.drop_column("sign_in", "reopens_until")
