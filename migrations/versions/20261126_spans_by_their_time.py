"""Spans of time that a station's lines were held in, by when they began; the long ones apart"""

import sqlalchemy as sa
from alembic import op

revision = "spans_by_their_time"
down_revision = "over_shipments"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_hold_kind_subject_span_from", "hold", ["kind", "subject", "span_from"])
    op.create_index(
        "ix_hold_long_span", "hold", ["kind", "subject", "span_to"],
        sqlite_where=sa.text("kind = 'span' and (span_from is null or span_to is null or julianday(span_to) - julianday(span_from) > 31)"),
        postgresql_where=sa.text("kind = 'span' and (span_from is null or span_to is null or span_to - span_from > interval '31 days')"),
    )  # fmt: skip
    op.drop_index("ix_hold_kind_subject", "hold")


def downgrade() -> None:
    op.create_index("ix_hold_kind_subject", "hold", ["kind", "subject"])
    op.drop_index("ix_hold_long_span", "hold")
    op.drop_index("ix_hold_kind_subject_span_from", "hold")
