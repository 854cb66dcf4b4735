"""Rehearsed recalls"""

import sqlalchemy as sa
from alembic import op

revision = 'mock_recalls'
down_revision = 'cells_without_a_die'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('mock_recall',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('pack', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('seed', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('out_of', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('took_seconds', sa.Double(), nullable=False),
    sa.Column('units_in', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('difference', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('within', sa.Boolean(), nullable=False),
    sa.Column('packs', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('missing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_mock_recall_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_mock_recall_evidence_evidence')),
    sa.ForeignKeyConstraint(['pack'], ['pack.item'], name=op.f('fk_mock_recall_pack_pack')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_mock_recall'))
    )
    with op.batch_alter_table('mock_recall', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_mock_recall_pack'), ['pack'], unique=False)


def downgrade() -> None:
    op.drop_table('mock_recall')
