"""Rows that name the mount, content or move that they replace, and the uses that are void with a mount"""

import sqlalchemy as sa
from alembic import op

revision = 'corrections'
down_revision = 'what_the_board_reads'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('content_correction',
    sa.Column('content', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('right', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['content'], ['content.id'], name=op.f('fk_content_correction_content_content')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_content_correction_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['right'], ['content.id'], name=op.f('fk_content_correction_right_content')),
    sa.PrimaryKeyConstraint('content', name=op.f('pk_content_correction')),
    sa.UniqueConstraint('right', name=op.f('uq_content_correction_right'))
    )
    op.create_table('mount_correction',
    sa.Column('mount', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('right', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_mount_correction_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['mount'], ['mount.id'], name=op.f('fk_mount_correction_mount_mount')),
    sa.ForeignKeyConstraint(['right'], ['mount.id'], name=op.f('fk_mount_correction_right_mount')),
    sa.PrimaryKeyConstraint('mount', name=op.f('pk_mount_correction')),
    sa.UniqueConstraint('right', name=op.f('uq_mount_correction_right'))
    )
    op.create_table('move_correction',
    sa.Column('move', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('right', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('stands_at', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_move_correction_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['move'], ['move.id'], name=op.f('fk_move_correction_move_move')),
    sa.ForeignKeyConstraint(['right'], ['move.id'], name=op.f('fk_move_correction_right_move')),
    sa.ForeignKeyConstraint(['stands_at'], ['move.id'], name=op.f('fk_move_correction_stands_at_move')),
    sa.PrimaryKeyConstraint('move', name=op.f('pk_move_correction')),
    sa.UniqueConstraint('right', name=op.f('uq_move_correction_right'))
    )
    op.create_table('use_void',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_use_void_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_use_void_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_use_void_item_item')),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_use_void_line_line')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_use_void'))
    )
    with op.batch_alter_table('use_void', schema=None) as batch_op:
        batch_op.create_index('uq_use_void_open_line_item', ['line', 'item'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))



def downgrade() -> None:
    with op.batch_alter_table('use_void', schema=None) as batch_op:
        batch_op.drop_index('uq_use_void_open_line_item', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('use_void')
    op.drop_table('move_correction')
    op.drop_table('mount_correction')
    op.drop_table('content_correction')
