"""Unit results that others replace"""

import sqlalchemy as sa
from alembic import op

revision = 'unit_file_corrections'
down_revision = 'corrections'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('unit_file_correction',
    sa.Column('file', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('right', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_unit_file_correction_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['file'], ['unit_file.id'], name=op.f('fk_unit_file_correction_file_unit_file')),
    sa.ForeignKeyConstraint(['right'], ['unit_file.id'], name=op.f('fk_unit_file_correction_right_unit_file')),
    sa.PrimaryKeyConstraint('file', name=op.f('pk_unit_file_correction')),
    sa.UniqueConstraint('right', name=op.f('uq_unit_file_correction_right'))
    )


def downgrade() -> None:
    op.drop_table('unit_file_correction')
