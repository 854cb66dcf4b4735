"""What the board reads: the loose lots that hold units, and indexes by entry for what a shift did."""

import sqlalchemy as sa
from alembic import op

revision = 'what_the_board_reads'
down_revision = 'station_states_by_time'
branch_labels = None
depends_on = None

COUNTED = "('cells', 'merge', 'split', 'carry', 'bin', 'draw', 'fill', 'repack', 'untape')"
# every loose lot that took units in: its book, and the last entry that took something out
FILL = f"""
    insert into loose_stock (lot, emptied_e)
    select lot, case when book > 0 then null else last_e end
    from (
        select l.item as lot,
            coalesce((select sum(f.units) from flow f where f.child = l.item and f.kind in {COUNTED}), 0)
            - coalesce((select sum(f.units) from flow f where f.parent = l.item and f.kind in {COUNTED}), 0)
            - coalesce((select sum(c.units) from count_entry c
                where c.item = l.item and c.kind in ('scrapped', 'destroyed', 'difference') and c.closed_e is null), 0) as book,
            coalesce((select max(f.e) from flow f where f.parent = l.item), (select max(c.e) from count_entry c where c.item = l.item)) as last_e
        from lot l
        where l.form = 'loose' and exists (select 1 from flow f where f.child = l.item and f.kind in {COUNTED})
    ) as amounts
"""


def upgrade() -> None:
    op.create_table('loose_stock',
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('emptied_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_loose_stock_lot_lot')),
    sa.PrimaryKeyConstraint('lot', name=op.f('pk_loose_stock'))
    )
    with op.batch_alter_table('loose_stock', schema=None) as batch_op:
        batch_op.create_index('ix_loose_stock_emptied_e', ['emptied_e'], unique=False)
        batch_op.create_index(
            'ix_loose_stock_holding', ['lot'], unique=False, sqlite_where=sa.text('emptied_e is null'), postgresql_where=sa.text('emptied_e is null')
        )

    with op.batch_alter_table('at_risk', schema=None) as batch_op:
        batch_op.create_index('ix_at_risk_e', ['e'], unique=False)

    with op.batch_alter_table('cell_mark', schema=None) as batch_op:
        batch_op.create_index('ix_cell_mark_e', ['e'], unique=False)

    with op.batch_alter_table('count_entry', schema=None) as batch_op:
        batch_op.create_index('ix_count_entry_e', ['e'], unique=False)

    with op.batch_alter_table('disposition', schema=None) as batch_op:
        batch_op.create_index('ix_disposition_e', ['e'], unique=False)

    with op.batch_alter_table('hold', schema=None) as batch_op:
        batch_op.create_index('ix_hold_e', ['e'], unique=False)

    with op.batch_alter_table('lot_holding', schema=None) as batch_op:
        batch_op.create_index('ix_lot_holding_closed_e', ['closed_e'], unique=False)

    with op.batch_alter_table('release', schema=None) as batch_op:
        batch_op.create_index('ix_release_e', ['e'], unique=False)

    op.execute(FILL)



def downgrade() -> None:
    with op.batch_alter_table('release', schema=None) as batch_op:
        batch_op.drop_index('ix_release_e')

    with op.batch_alter_table('lot_holding', schema=None) as batch_op:
        batch_op.drop_index('ix_lot_holding_closed_e')

    with op.batch_alter_table('hold', schema=None) as batch_op:
        batch_op.drop_index('ix_hold_e')

    with op.batch_alter_table('disposition', schema=None) as batch_op:
        batch_op.drop_index('ix_disposition_e')

    with op.batch_alter_table('count_entry', schema=None) as batch_op:
        batch_op.drop_index('ix_count_entry_e')

    with op.batch_alter_table('cell_mark', schema=None) as batch_op:
        batch_op.drop_index('ix_cell_mark_e')

    with op.batch_alter_table('at_risk', schema=None) as batch_op:
        batch_op.drop_index('ix_at_risk_e')

    with op.batch_alter_table('loose_stock', schema=None) as batch_op:
        batch_op.drop_index('ix_loose_stock_holding', sqlite_where=sa.text('emptied_e is null'), postgresql_where=sa.text('emptied_e is null'))
        batch_op.drop_index('ix_loose_stock_emptied_e')

    op.drop_table('loose_stock')
