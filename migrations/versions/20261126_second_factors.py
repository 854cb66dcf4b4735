"""A second factor beside the password at a desk."""

import sqlalchemy as sa
from alembic import op

revision = 'second_factors'
down_revision = 'sessions_and_tries'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('second_factor',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('seed', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_second_factor_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_second_factor_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_second_factor_person_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_second_factor'))
    )
    with op.batch_alter_table('second_factor', schema=None) as batch_op:
        batch_op.create_index('uq_second_factor_open_person', ['person'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('second_factor_use',
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('step', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_second_factor_use_person_person')),
    sa.PrimaryKeyConstraint('person', name=op.f('pk_second_factor_use'))
    )


def downgrade() -> None:
    op.drop_table('second_factor_use')
    with op.batch_alter_table('second_factor', schema=None) as batch_op:
        batch_op.drop_index('uq_second_factor_open_person', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('second_factor')
