"""Packs that were filled for one customer's order and went to another"""

import sqlalchemy as sa
from alembic import op

revision = 'diversions'
down_revision = 'long_runs'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('diversion',
    sa.Column('shipment', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('pack', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_diversion_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['pack'], ['pack.item'], name=op.f('fk_diversion_pack_pack')),
    sa.ForeignKeyConstraint(['shipment'], ['shipment.id'], name=op.f('fk_diversion_shipment_shipment')),
    sa.PrimaryKeyConstraint('shipment', 'pack', name=op.f('pk_diversion'))
    )


def downgrade() -> None:
    op.drop_table('diversion')
