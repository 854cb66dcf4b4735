"""Sessions that say where they are, secrets that another gave, and what was tried."""

import sqlalchemy as sa
from alembic import op

revision = 'sessions_and_tries'
down_revision = 'what_a_record_reads'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('security_event',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('hour', sa.DateTime(timezone=True), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('terminal', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('address', sa.String(), nullable=False),
    sa.Column('times', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('first_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('last_at', sa.DateTime(timezone=True), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_security_event')),
    sa.UniqueConstraint('hour', 'kind', 'person', 'terminal', 'address', name=op.f('uq_security_event_hour_kind_person_terminal_address'))
    )
    op.create_table('given_secret',
    sa.Column('secret', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_given_secret_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['secret'], ['secret.id'], name=op.f('fk_given_secret_secret_secret')),
    sa.PrimaryKeyConstraint('secret', name=op.f('pk_given_secret'))
    )
    with op.batch_alter_table('sign_in', schema=None) as batch_op:
        batch_op.add_column(sa.Column('must_choose', sa.String(), nullable=True))
        batch_op.add_column(sa.Column('browser', sa.String(), server_default='', nullable=False))
        batch_op.add_column(sa.Column('network', sa.String(), server_default='', nullable=False))



def downgrade() -> None:
    with op.batch_alter_table('sign_in', schema=None) as batch_op:
        batch_op.drop_column('network')
        batch_op.drop_column('browser')
        batch_op.drop_column('must_choose')

    op.drop_table('given_secret')
    op.drop_table('security_event')
