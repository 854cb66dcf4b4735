"""Up to where nothing is left to seal; packed maps and traces that PostgreSQL does not try to pack again."""

import sqlalchemy as sa
from alembic import op

revision = "settled_seals"
down_revision = "spans_by_their_time"
branch_labels = None
depends_on = None


def upgrade() -> None:
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "settled",
        sa.Column("id", number, autoincrement=False, nullable=False),
        sa.Column("entry", number, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_settled")),
    )
    _store("external")


def downgrade() -> None:
    _store("extended")
    op.drop_table("settled")


def _store(how: str) -> None:
    """PostgreSQL tries for a tenth of a millisecond and more to make a value shorter that is packed already."""
    if op.get_bind().dialect.name == "postgresql":
        for table in ("wafer_map", "cure_trace"):
            op.execute(f"alter table {table} alter column packed set storage {how}")
