"""What suppliers' EPCIS documents say of our batches and wafers."""

import sqlalchemy as sa
from alembic import op

from app.db import Moment

revision = 'origin_links'
down_revision = 'mock_recalls'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('origin_link',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('event', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('role', sa.String(), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('happened_at', Moment(), nullable=False),
    sa.Column('step', sa.String(), nullable=False),
    sa.Column('disposition', sa.String(), nullable=False),
    sa.Column('place', sa.String(), nullable=False),
    sa.Column('quantity', sa.Double(), nullable=True),
    sa.Column('uom', sa.String(), nullable=False),
    sa.Column('came_from', sa.JSON(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("role in ('object', 'input', 'output')", name=op.f('ck_origin_link_role')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_origin_link_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_origin_link_evidence_evidence')),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_origin_link_item_item')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_origin_link'))
    )
    with op.batch_alter_table('origin_link', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_origin_link_item'), ['item'], unique=False)



def downgrade() -> None:
    with op.batch_alter_table('origin_link', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_origin_link_item'))

    op.drop_table('origin_link')
