"""the record"""

import sqlalchemy as sa
from alembic import op

revision = 'the_record'
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(sa.schema.CreateSequence(sa.Sequence("entry_number")))
    op.create_table('entry',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('action', sa.String(), nullable=False),
    sa.Column('actor_kind', sa.String(), nullable=False),
    sa.Column('actor', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('actor_name', sa.String(), nullable=False),
    sa.Column('arguments', sa.JSON(), nullable=False),
    sa.Column('happened_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('source', sa.String(), nullable=False),
    sa.Column('recorded_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('outcome', sa.String(), nullable=False),
    sa.Column('signed', sa.Boolean(), nullable=False),
    sa.Column('fact', sa.Boolean(), nullable=False),
    sa.Column('digest', sa.LargeBinary(), nullable=False),
    sa.CheckConstraint("outcome in ('done', 'refused')", name=op.f('ck_entry_outcome')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_entry'))
    )
    op.create_table('request',
    sa.Column('actor', sa.String(), nullable=False),
    sa.Column('key', sa.String(), nullable=False),
    sa.Column('content', sa.LargeBinary(), nullable=False),
    sa.Column('entry', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('refused', sa.Boolean(), nullable=False),
    sa.Column('answer', sa.JSON(), nullable=True),
    sa.Column('made_at', sa.DateTime(timezone=True), nullable=False),
    sa.PrimaryKeyConstraint('actor', 'key', name=op.f('pk_request'))
    )
    with op.batch_alter_table('request', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_request_made_at'), ['made_at'], unique=False)

    op.create_table('throttle',
    sa.Column('who', sa.String(), nullable=False),
    sa.Column('failures', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('until', sa.DateTime(timezone=True), nullable=True),
    sa.Column('last_at', sa.DateTime(timezone=True), nullable=False),
    sa.PrimaryKeyConstraint('who', name=op.f('pk_throttle'))
    )
    op.create_table('alias',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('thing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('whose', sa.String(), nullable=False),
    sa.Column('what', sa.String(), nullable=False),
    sa.Column('value', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_alias_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_alias_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_alias'))
    )
    with op.batch_alter_table('alias', schema=None) as batch_op:
        batch_op.create_index('ix_alias_kind_thing', ['kind', 'thing'], unique=False)
        batch_op.create_index(batch_op.f('ix_alias_value'), ['value'], unique=False)

    op.create_table('code',
    sa.Column('code', sa.String(), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('thing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_code_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('code', name=op.f('pk_code'))
    )
    with op.batch_alter_table('code', schema=None) as batch_op:
        batch_op.create_index('ix_code_kind_thing', ['kind', 'thing'], unique=False)

    op.create_table('container',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_container_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_container'))
    )
    op.create_table('evidence',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('digest', sa.String(), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('size_bytes', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('stated', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_evidence_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_evidence'))
    )
    with op.batch_alter_table('evidence', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_evidence_digest'), ['digest'], unique=False)

    op.create_table('item',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("kind in ('wafer', 'batch', 'panel', 'lot', 'sample', 'pack')", name=op.f('ck_item_kind')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_item_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_item'))
    )
    op.create_table('panel_set',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('n', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('digest', sa.LargeBinary(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_panel_set_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_panel_set')),
    sa.UniqueConstraint('digest', name=op.f('uq_panel_set_digest'))
    )
    op.create_table('person',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_person_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_person'))
    )
    op.create_table('seal',
    sa.Column('n', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('entry', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('chain', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['entry'], ['entry.id'], name=op.f('fk_seal_entry_entry')),
    sa.PrimaryKeyConstraint('n', name=op.f('pk_seal')),
    sa.UniqueConstraint('entry', name=op.f('uq_seal_entry'))
    )
    op.create_table('terminal',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('area', sa.String(), nullable=False),
    sa.Column('hash', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_terminal_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_terminal_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_terminal'))
    )
    with op.batch_alter_table('terminal', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_terminal_hash'), ['hash'], unique=False)

    op.create_table('thing',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_thing_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_thing')),
    sa.UniqueConstraint('kind', 'name', name=op.f('uq_thing_kind_name'))
    )
    op.create_table('token',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('hash', sa.String(), nullable=False),
    sa.Column('duties', sa.String(), nullable=False),
    sa.Column('may_state_facts', sa.Boolean(), nullable=False),
    sa.Column('valid_until', sa.DateTime(timezone=True), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_token_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_token_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_token')),
    sa.UniqueConstraint('hash', name=op.f('uq_token_hash'))
    )
    op.create_table('attendance',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_attendance_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_attendance_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_attendance_person_person')),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_attendance_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_attendance'))
    )
    with op.batch_alter_table('attendance', schema=None) as batch_op:
        batch_op.create_index('ix_attendance_open_person', ['person'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.create_index('ix_attendance_open_station', ['station'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('batch',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('part', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('supplier', sa.String(), nullable=False),
    sa.Column('expires_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_batch_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_batch_item_item')),
    sa.ForeignKeyConstraint(['part'], ['thing.id'], name=op.f('fk_batch_part_thing')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_batch'))
    )
    op.create_table('certificate',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('valid_until', sa.DateTime(timezone=True), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_certificate_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_certificate_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_certificate_person_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_certificate'))
    )
    with op.batch_alter_table('certificate', schema=None) as batch_op:
        batch_op.create_index('ix_certificate_open_person', ['person'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('content',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('container', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint('("set" is null) <> (item is null)', name=op.f('ck_content_set_or_item')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_content_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['container'], ['container.id'], name=op.f('fk_content_container_container')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_content_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_content_item_item')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_content_set_panel_set')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_content'))
    )
    with op.batch_alter_table('content', schema=None) as batch_op:
        batch_op.create_index('ix_content_open_container', ['container'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.create_index('ix_content_open_set', ['set'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.create_index('uq_content_open_item', ['item'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('definition',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('thing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('body', sa.JSON(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_definition_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_definition_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['thing'], ['thing.id'], name=op.f('fk_definition_thing_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_definition'))
    )
    with op.batch_alter_table('definition', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_definition_thing'), ['thing'], unique=False)
        batch_op.create_index('uq_definition_open_thing', ['thing'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('lot',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('form', sa.String(), nullable=False),
    sa.Column('product', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('order', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('bin', sa.String(), nullable=True),
    sa.Column('grade', sa.String(), nullable=True),
    sa.Column('root', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("form in ('panel', 'loose')", name=op.f('ck_lot_form')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_lot_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_lot_item_item')),
    sa.ForeignKeyConstraint(['order'], ['thing.id'], name=op.f('fk_lot_order_thing')),
    sa.ForeignKeyConstraint(['product'], ['thing.id'], name=op.f('fk_lot_product_thing')),
    sa.ForeignKeyConstraint(['root'], ['item.id'], name=op.f('fk_lot_root_item')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_lot'))
    )
    op.create_table('mount',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('place', sa.String(), nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('on_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('off_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_mount_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_mount_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_mount_item_item')),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_mount_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_mount'))
    )
    with op.batch_alter_table('mount', schema=None) as batch_op:
        batch_op.create_index('ix_mount_open_item', ['item'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.create_index('uq_mount_open_station_place', ['station', 'place'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('pack',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('form', sa.String(), nullable=False),
    sa.Column('product', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('part_number', sa.String(), nullable=False),
    sa.Column('bin', sa.String(), nullable=True),
    sa.Column('grade', sa.String(), nullable=False),
    sa.Column('order', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('size_units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('date_code', sa.String(), nullable=True),
    sa.Column('units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('short_reason', sa.String(), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("form in ('reel', 'bag', 'tray')", name=op.f('ck_pack_form')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_pack_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_pack_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_pack_item_item')),
    sa.ForeignKeyConstraint(['order'], ['thing.id'], name=op.f('fk_pack_order_thing')),
    sa.ForeignKeyConstraint(['product'], ['thing.id'], name=op.f('fk_pack_product_thing')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_pack'))
    )
    op.create_table('panel',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('rows', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('columns', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_panel_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_panel_item_item')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_panel'))
    )
    op.create_table('person_duty',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('duty', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_person_duty_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_person_duty_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_person_duty_person_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_person_duty'))
    )
    with op.batch_alter_table('person_duty', schema=None) as batch_op:
        batch_op.create_index('uq_person_duty_open_person_duty', ['person', 'duty'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('sample',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kept', sa.Boolean(), nullable=False),
    sa.Column('purpose', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_sample_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_sample_item_item')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_sample'))
    )
    op.create_table('secret',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('hash', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_secret_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_secret_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_secret_person_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_secret'))
    )
    with op.batch_alter_table('secret', schema=None) as batch_op:
        batch_op.create_index('uq_secret_open_person_kind', ['person', 'kind'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('shipment',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('customer', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('order', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['customer'], ['thing.id'], name=op.f('fk_shipment_customer_thing')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_shipment_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['order'], ['thing.id'], name=op.f('fk_shipment_order_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_shipment'))
    )
    op.create_table('sign_in',
    sa.Column('hash', sa.String(), nullable=False),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('terminal', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('begun_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('seen_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('ended_at', sa.DateTime(timezone=True), nullable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_sign_in_person_person')),
    sa.ForeignKeyConstraint(['terminal'], ['terminal.id'], name=op.f('fk_sign_in_terminal_terminal')),
    sa.PrimaryKeyConstraint('hash', name=op.f('pk_sign_in'))
    )
    op.create_table('station_state',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('state', sa.String(), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('since', sa.DateTime(timezone=True), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_station_state_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_station_state_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_station_state_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_station_state'))
    )
    with op.batch_alter_table('station_state', schema=None) as batch_op:
        batch_op.create_index('ix_station_state_open_station', ['station'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('wafer',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('part', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('role', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_wafer_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_wafer_item_item')),
    sa.ForeignKeyConstraint(['part'], ['thing.id'], name=op.f('fk_wafer_part_thing')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_wafer'))
    )
    op.create_table('approval',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('route', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('definition', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_approval_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['definition'], ['definition.id'], name=op.f('fk_approval_definition_definition')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_approval_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['route'], ['thing.id'], name=op.f('fk_approval_route_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_approval')),
    sa.UniqueConstraint('definition', name=op.f('uq_approval_definition'))
    )
    with op.batch_alter_table('approval', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_approval_route'), ['route'], unique=False)

    op.create_table('dead_origin',
    sa.Column('child', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('panel', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('wafer', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.ForeignKeyConstraint(['child'], ['item.id'], name=op.f('fk_dead_origin_child_item')),
    sa.ForeignKeyConstraint(['panel'], ['panel.item'], name=op.f('fk_dead_origin_panel_panel')),
    sa.ForeignKeyConstraint(['wafer'], ['wafer.item'], name=op.f('fk_dead_origin_wafer_wafer')),
    sa.PrimaryKeyConstraint('child', 'panel', 'wafer', name=op.f('pk_dead_origin')),
    sqlite_with_rowid=False
    )
    op.create_table('dry_pack',
    sa.Column('pack', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('sealed_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('moisture_level', sa.String(), nullable=False),
    sa.Column('use_before_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_dry_pack_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['pack'], ['pack.item'], name=op.f('fk_dry_pack_pack_pack')),
    sa.PrimaryKeyConstraint('pack', name=op.f('pk_dry_pack'))
    )
    op.create_table('hold',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('subject', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('container', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('span_from', sa.DateTime(timezone=True), nullable=True),
    sa.Column('span_to', sa.DateTime(timezone=True), nullable=True),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('automatic', sa.Boolean(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("kind in ('wafer','batch','panel','loose','pack','sample','set','run','line','station','span')", name=op.f('ck_hold_kind')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_hold_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_hold_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_hold_lot_lot')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_hold'))
    )
    with op.batch_alter_table('hold', schema=None) as batch_op:
        batch_op.create_index('ix_hold_in_force', ['kind', 'subject'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('lot_holding',
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_lot_holding_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_lot_holding_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_lot_holding_lot_lot')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_lot_holding_set_panel_set')),
    sa.PrimaryKeyConstraint('lot', 'e', name=op.f('pk_lot_holding'))
    )
    with op.batch_alter_table('lot_holding', schema=None) as batch_op:
        batch_op.create_index('ix_lot_holding_set', ['set'], unique=False)
        batch_op.create_index('uq_lot_holding_open_lot', ['lot'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('lot_route',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('route', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_lot_route_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_lot_route_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_lot_route_lot_lot')),
    sa.ForeignKeyConstraint(['route'], ['thing.id'], name=op.f('fk_lot_route_route_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_lot_route'))
    )
    with op.batch_alter_table('lot_route', schema=None) as batch_op:
        batch_op.create_index('uq_lot_route_open_lot', ['lot'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('member',
    sa.Column('panel', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.ForeignKeyConstraint(['panel'], ['panel.item'], name=op.f('fk_member_panel_panel')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_member_set_panel_set')),
    sa.PrimaryKeyConstraint('panel', 'set', name=op.f('pk_member')),
    sqlite_with_rowid=False
    )
    with op.batch_alter_table('member', schema=None) as batch_op:
        batch_op.create_index('ix_member_set', ['set', 'panel'], unique=False)

    op.create_table('move',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('place', sa.String(), nullable=False),
    sa.Column('shipment', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('moved_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("kind in ('floor', 'stock', 'outside', 'shipped', 'returned')", name=op.f('ck_move_kind')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_move_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_move_item_item')),
    sa.ForeignKeyConstraint(['shipment'], ['shipment.id'], name=op.f('fk_move_shipment_shipment')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_move'))
    )
    with op.batch_alter_table('move', schema=None) as batch_op:
        batch_op.create_index('ix_move_item', ['item', 'id'], unique=False)
        batch_op.create_index(batch_op.f('ix_move_shipment'), ['shipment'], unique=False)

    op.create_table('opening',
    sa.Column('batch', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('opened_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('pot_life_ends_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['batch'], ['batch.item'], name=op.f('fk_opening_batch_batch')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_opening_e_entry'), initially='DEFERRED', deferrable=True),
    sa.PrimaryKeyConstraint('batch', name=op.f('pk_opening'))
    )
    op.create_table('pack_content',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('pack', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('pocket_from', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('pocket_to', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('loose', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('was_in', sa.JSON(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint('pocket_from >= 1 and pocket_to >= pocket_from', name=op.f('ck_pack_content_pockets')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_pack_content_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_pack_content_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['loose'], ['lot.item'], name=op.f('fk_pack_content_loose_lot')),
    sa.ForeignKeyConstraint(['pack'], ['pack.item'], name=op.f('fk_pack_content_pack_pack')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_pack_content'))
    )
    with op.batch_alter_table('pack_content', schema=None) as batch_op:
        batch_op.create_index('ix_pack_content_loose', ['loose'], unique=False)
        batch_op.create_index('ix_pack_content_pack', ['pack'], unique=False)

    op.create_table('run',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('operation', sa.String(), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('recipe', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('person', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('started_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('source', sa.String(), nullable=False),
    sa.Column('ended_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('ended_source', sa.String(), nullable=True),
    sa.Column('ended_by', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('outcome', sa.String(), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("outcome is null or outcome in ('done', 'interrupted', 'aborted')", name=op.f('ck_run_outcome')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_run_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_run_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['ended_by'], ['person.id'], name=op.f('fk_run_ended_by_person')),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_run_person_person')),
    sa.ForeignKeyConstraint(['recipe'], ['definition.id'], name=op.f('fk_run_recipe_definition')),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_run_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_run'))
    )
    with op.batch_alter_table('run', schema=None) as batch_op:
        batch_op.create_index('ix_run_open_station', ['station'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.create_index('ix_run_station_started_at', ['station', 'started_at'], unique=False)

    op.create_table('wafer_map',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('wafer', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('format', sa.String(), nullable=False),
    sa.Column('packed', sa.LargeBinary(), nullable=False),
    sa.Column('gross', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('passing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('failing', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_wafer_map_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_wafer_map_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_wafer_map_evidence_evidence')),
    sa.ForeignKeyConstraint(['wafer'], ['wafer.item'], name=op.f('fk_wafer_map_wafer_wafer')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_wafer_map'))
    )
    with op.batch_alter_table('wafer_map', schema=None) as batch_op:
        batch_op.create_index('uq_wafer_map_open_wafer', ['wafer'], unique=True, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('cell_mark',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('panel', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('cells', sa.LargeBinary(), nullable=False),
    sa.Column('n', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_cell_mark_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_cell_mark_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_cell_mark_evidence_evidence')),
    sa.ForeignKeyConstraint(['panel'], ['panel.item'], name=op.f('fk_cell_mark_panel_panel')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_cell_mark_run_run')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_cell_mark'))
    )
    with op.batch_alter_table('cell_mark', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_cell_mark_panel'), ['panel'], unique=False)
        batch_op.create_index(batch_op.f('ix_cell_mark_run'), ['run'], unique=False)

    op.create_table('claim',
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_claim_item_item')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_claim_run_run')),
    sa.PrimaryKeyConstraint('item', name=op.f('pk_claim'))
    )
    with op.batch_alter_table('claim', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_claim_run'), ['run'], unique=False)

    op.create_table('count_entry',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('method', sa.String(), nullable=False),
    sa.Column('u', sa.Double(), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('book', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('within', sa.Boolean(), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("kind in ('opening', 'counted', 'scrapped', 'destroyed', 'difference')", name=op.f('ck_count_entry_kind')),
    sa.CheckConstraint("method in ('cells', 'counter', 'pockets', 'weight', 'hand')", name=op.f('ck_count_entry_method')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_count_entry_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_count_entry_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_count_entry_item_item')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_count_entry_run_run')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_count_entry'))
    )
    with op.batch_alter_table('count_entry', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_count_entry_item'), ['item'], unique=False)

    op.create_table('flow',
    sa.Column('child', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('parent', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('kind', sa.String(), nullable=False),
    sa.Column('walked', sa.Boolean(), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint('child <> parent', name=op.f('ck_flow_not_itself')),
    sa.CheckConstraint('units >= 0', name=op.f('ck_flow_units')),
    sa.ForeignKeyConstraint(['child'], ['item.id'], name=op.f('fk_flow_child_item')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_flow_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['parent'], ['item.id'], name=op.f('fk_flow_parent_item')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_flow_run_run')),
    sa.PrimaryKeyConstraint('child', 'parent', 'e', 'kind', name=op.f('pk_flow')),
    sqlite_with_rowid=False
    )
    with op.batch_alter_table('flow', schema=None) as batch_op:
        batch_op.create_index('ix_flow_parent', ['parent', 'child', 'walked', 'units', 'e'], unique=False)

    op.create_table('line',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('route', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('step', sa.String(), nullable=True),
    sa.Column('round', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('shelf', sa.String(), nullable=True),
    sa.Column('units', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('judged', sa.String(), nullable=True),
    sa.Column('started_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('ended_at', sa.DateTime(timezone=True), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint('("set" is null) <> (item is null)', name=op.f('ck_line_set_or_item')),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_line_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_line_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_line_item_item')),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_line_lot_lot')),
    sa.ForeignKeyConstraint(['route'], ['thing.id'], name=op.f('fk_line_route_thing')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_line_run_run')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_line_set_panel_set')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_line'))
    )
    with op.batch_alter_table('line', schema=None) as batch_op:
        batch_op.create_index('ix_line_item', ['item'], unique=False)
        batch_op.create_index(batch_op.f('ix_line_lot'), ['lot'], unique=False)
        batch_op.create_index('ix_line_run', ['run'], unique=False)
        batch_op.create_index('ix_line_set', ['set'], unique=False)

    op.create_table('load',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('recipe', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_load_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_load_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['recipe'], ['definition.id'], name=op.f('fk_load_recipe_definition')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_load_run_run')),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_load_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_load')),
    sa.UniqueConstraint('run', name=op.f('uq_load_run'))
    )
    with op.batch_alter_table('load', schema=None) as batch_op:
        batch_op.create_index('ix_load_open_station', ['station'], unique=False, sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.create_table('placement',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('panel', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('wafer', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('role', sa.String(), nullable=False),
    sa.Column('cells', sa.LargeBinary(), nullable=False),
    sa.Column('dies', sa.LargeBinary(), nullable=False),
    sa.Column('n', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_placement_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_placement_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_placement_evidence_evidence')),
    sa.ForeignKeyConstraint(['panel'], ['panel.item'], name=op.f('fk_placement_panel_panel')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_placement_run_run')),
    sa.ForeignKeyConstraint(['wafer'], ['wafer.item'], name=op.f('fk_placement_wafer_wafer')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_placement'))
    )
    with op.batch_alter_table('placement', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_placement_panel'), ['panel'], unique=False)
        batch_op.create_index(batch_op.f('ix_placement_run'), ['run'], unique=False)
        batch_op.create_index(batch_op.f('ix_placement_wafer'), ['wafer'], unique=False)

    op.create_table('lost_die',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('wafer', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('dies', sa.LargeBinary(), nullable=False),
    sa.Column('n', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_lost_die_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_lost_die_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_lost_die_evidence_evidence')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_lost_die_run_run')),
    sa.ForeignKeyConstraint(['wafer'], ['wafer.item'], name=op.f('fk_lost_die_wafer_wafer')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_lost_die'))
    )
    with op.batch_alter_table('lost_die', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_lost_die_run'), ['run'], unique=False)
        batch_op.create_index(batch_op.f('ix_lost_die_wafer'), ['wafer'], unique=False)

    op.create_table('placement_sum',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('step', sa.String(), nullable=True),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('placed', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('wrong', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('lost', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_placement_sum_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_placement_sum_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_placement_sum_evidence_evidence')),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_placement_sum_lot_lot')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_placement_sum_run_run')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_placement_sum'))
    )
    with op.batch_alter_table('placement_sum', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_placement_sum_evidence'), ['evidence'], unique=False)
        batch_op.create_index(batch_op.f('ix_placement_sum_lot'), ['lot'], unique=False)
        batch_op.create_index(batch_op.f('ix_placement_sum_run'), ['run'], unique=False)

    op.create_table('release',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('hold', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('everything', sa.Boolean(), nullable=False),
    sa.Column('units_freed', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_release_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['hold'], ['hold.id'], name=op.f('fk_release_hold_hold')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_release'))
    )
    with op.batch_alter_table('release', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_release_hold'), ['hold'], unique=False)

    op.create_table('run_void',
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_run_void_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_run_void_run_run')),
    sa.PrimaryKeyConstraint('run', name=op.f('pk_run_void'))
    )
    op.create_table('at_risk',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('reason', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_at_risk_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_at_risk_line_line')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_at_risk_set_panel_set')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_at_risk'))
    )
    with op.batch_alter_table('at_risk', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_at_risk_line'), ['line'], unique=False)

    op.create_table('cover',
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('extent', sa.String(), nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('done', sa.Boolean(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("extent in ('whole', 'either')", name=op.f('ck_cover_extent')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_cover_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_cover_line_line')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_cover_set_panel_set')),
    sa.PrimaryKeyConstraint('line', 'extent', 'done', name=op.f('pk_cover'))
    )
    with op.batch_alter_table('cover', schema=None) as batch_op:
        batch_op.create_index('ix_cover_set', ['set', 'line'], unique=False)

    op.create_table('judgement',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('rule', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('verdict', sa.String(), nullable=False),
    sa.Column('reasons', sa.JSON(), nullable=False),
    sa.Column('facts', sa.JSON(), nullable=False),
    sa.Column('replaces', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint("verdict in ('conforms', 'does_not_conform', 'cannot_tell')", name=op.f('ck_judgement_verdict')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_judgement_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_judgement_evidence_evidence')),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_judgement_line_line')),
    sa.ForeignKeyConstraint(['replaces'], ['judgement.id'], name=op.f('fk_judgement_replaces_judgement')),
    sa.ForeignKeyConstraint(['rule'], ['definition.id'], name=op.f('fk_judgement_rule_definition')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_judgement')),
    sa.UniqueConstraint('replaces', name=op.f('uq_judgement_replaces'))
    )
    with op.batch_alter_table('judgement', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_judgement_line'), ['line'], unique=False)

    op.create_table('load_place',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('load', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('shelf', sa.String(), nullable=False),
    sa.Column('set', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('lot', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('route', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('step', sa.String(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_load_place_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_load_place_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['load'], ['load.id'], name=op.f('fk_load_place_load_load')),
    sa.ForeignKeyConstraint(['lot'], ['lot.item'], name=op.f('fk_load_place_lot_lot')),
    sa.ForeignKeyConstraint(['route'], ['thing.id'], name=op.f('fk_load_place_route_thing')),
    sa.ForeignKeyConstraint(['set'], ['panel_set.id'], name=op.f('fk_load_place_set_panel_set')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_load_place'))
    )
    with op.batch_alter_table('load_place', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_load_place_load'), ['load'], unique=False)

    op.create_table('reading',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('name', sa.String(), nullable=False),
    sa.Column('value', sa.Double(), nullable=False),
    sa.Column('unit', sa.String(), nullable=False),
    sa.Column('low', sa.Double(), nullable=True),
    sa.Column('high', sa.Double(), nullable=True),
    sa.Column('within', sa.Boolean(), nullable=False),
    sa.Column('closed_e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['closed_e'], ['entry.id'], name=op.f('fk_reading_closed_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_reading_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_reading_line_line')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_reading_run_run')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_reading'))
    )
    with op.batch_alter_table('reading', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_reading_line'), ['line'], unique=False)
        batch_op.create_index(batch_op.f('ix_reading_run'), ['run'], unique=False)

    op.create_table('release_item',
    sa.Column('release', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_release_item_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_release_item_item_item')),
    sa.ForeignKeyConstraint(['release'], ['release.id'], name=op.f('fk_release_item_release_release')),
    sa.PrimaryKeyConstraint('release', 'item', name=op.f('pk_release_item'))
    )
    with op.batch_alter_table('release_item', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_release_item_item'), ['item'], unique=False)

    op.create_table('use',
    sa.Column('line', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('item', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('place', sa.String(), nullable=True),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_use_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['item'], ['item.id'], name=op.f('fk_use_item_item')),
    sa.ForeignKeyConstraint(['line'], ['line.id'], name=op.f('fk_use_line_line')),
    sa.PrimaryKeyConstraint('line', 'item', name=op.f('pk_use')),
    sqlite_with_rowid=False
    )
    with op.batch_alter_table('use', schema=None) as batch_op:
        batch_op.create_index('ix_use_item', ['item', 'line'], unique=False)

    op.create_table('disposition',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('judgement', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('hold', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=True),
    sa.Column('what', sa.String(), nullable=False),
    sa.Column('words', sa.String(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.CheckConstraint('(judgement is null) <> (hold is null)', name=op.f('ck_disposition_one_subject')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_disposition_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['hold'], ['hold.id'], name=op.f('fk_disposition_hold_hold')),
    sa.ForeignKeyConstraint(['judgement'], ['judgement.id'], name=op.f('fk_disposition_judgement_judgement')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_disposition'))
    )
    with op.batch_alter_table('disposition', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_disposition_hold'), ['hold'], unique=False)
        batch_op.create_index(batch_op.f('ix_disposition_judgement'), ['judgement'], unique=False)


    op.create_table('cure_trace',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('station', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('first_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('last_at', sa.DateTime(timezone=True), nullable=False),
    sa.Column('sensors', sa.JSON(), nullable=False),
    sa.Column('packed', sa.LargeBinary(), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_cure_trace_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_cure_trace_evidence_evidence')),
    sa.ForeignKeyConstraint(['station'], ['thing.id'], name=op.f('fk_cure_trace_station_thing')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_cure_trace'))
    )
    op.create_index('ix_cure_trace_station_last_at', 'cure_trace', ['station', 'last_at'], unique=False)
    op.create_table('unit_file',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('run', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('evidence', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('bin_table', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('parquet', sa.String(), nullable=False),
    sa.Column('rows', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('by_bin', sa.JSON(), nullable=False),
    sa.Column('by_failure', sa.JSON(), nullable=False),
    sa.Column('tester_bin_differs', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.Column('e', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), nullable=False),
    sa.ForeignKeyConstraint(['bin_table'], ['definition.id'], name=op.f('fk_unit_file_bin_table_definition')),
    sa.ForeignKeyConstraint(['e'], ['entry.id'], name=op.f('fk_unit_file_e_entry'), initially='DEFERRED', deferrable=True),
    sa.ForeignKeyConstraint(['evidence'], ['evidence.id'], name=op.f('fk_unit_file_evidence_evidence')),
    sa.ForeignKeyConstraint(['run'], ['run.id'], name=op.f('fk_unit_file_run_run')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_unit_file'))
    )
    op.create_index(op.f('ix_unit_file_run'), 'unit_file', ['run'], unique=False)

def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(sa.schema.DropSequence(sa.Sequence("entry_number")))
    op.drop_table('unit_file')
    op.drop_table('cure_trace')
    with op.batch_alter_table('disposition', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_disposition_judgement'))
        batch_op.drop_index(batch_op.f('ix_disposition_hold'))

    op.drop_table('disposition')
    with op.batch_alter_table('use', schema=None) as batch_op:
        batch_op.drop_index('ix_use_item')

    op.drop_table('use')
    with op.batch_alter_table('release_item', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_release_item_item'))

    op.drop_table('release_item')
    with op.batch_alter_table('reading', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_reading_run'))
        batch_op.drop_index(batch_op.f('ix_reading_line'))

    op.drop_table('reading')
    with op.batch_alter_table('load_place', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_load_place_load'))

    op.drop_table('load_place')
    with op.batch_alter_table('judgement', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_judgement_line'))

    op.drop_table('judgement')
    with op.batch_alter_table('cover', schema=None) as batch_op:
        batch_op.drop_index('ix_cover_set')

    op.drop_table('cover')
    with op.batch_alter_table('at_risk', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_at_risk_line'))

    op.drop_table('at_risk')
    op.drop_table('run_void')
    with op.batch_alter_table('release', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_release_hold'))

    op.drop_table('release')
    with op.batch_alter_table('placement_sum', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_placement_sum_run'))
        batch_op.drop_index(batch_op.f('ix_placement_sum_lot'))
        batch_op.drop_index(batch_op.f('ix_placement_sum_evidence'))

    op.drop_table('placement_sum')
    with op.batch_alter_table('lost_die', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_lost_die_wafer'))
        batch_op.drop_index(batch_op.f('ix_lost_die_run'))

    op.drop_table('lost_die')
    with op.batch_alter_table('placement', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_placement_wafer'))
        batch_op.drop_index(batch_op.f('ix_placement_run'))
        batch_op.drop_index(batch_op.f('ix_placement_panel'))

    op.drop_table('placement')
    with op.batch_alter_table('load', schema=None) as batch_op:
        batch_op.drop_index('ix_load_open_station', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('load')
    with op.batch_alter_table('line', schema=None) as batch_op:
        batch_op.drop_index('ix_line_set')
        batch_op.drop_index('ix_line_run')
        batch_op.drop_index(batch_op.f('ix_line_lot'))
        batch_op.drop_index('ix_line_item')

    op.drop_table('line')
    with op.batch_alter_table('flow', schema=None) as batch_op:
        batch_op.drop_index('ix_flow_parent')

    op.drop_table('flow')
    with op.batch_alter_table('count_entry', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_count_entry_item'))

    op.drop_table('count_entry')
    with op.batch_alter_table('claim', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_claim_run'))

    op.drop_table('claim')
    with op.batch_alter_table('cell_mark', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_cell_mark_run'))
        batch_op.drop_index(batch_op.f('ix_cell_mark_panel'))

    op.drop_table('cell_mark')
    with op.batch_alter_table('wafer_map', schema=None) as batch_op:
        batch_op.drop_index('uq_wafer_map_open_wafer', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('wafer_map')
    with op.batch_alter_table('run', schema=None) as batch_op:
        batch_op.drop_index('ix_run_station_started_at')
        batch_op.drop_index('ix_run_open_station', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('run')
    with op.batch_alter_table('pack_content', schema=None) as batch_op:
        batch_op.drop_index('ix_pack_content_pack')
        batch_op.drop_index('ix_pack_content_loose')

    op.drop_table('pack_content')
    op.drop_table('opening')
    with op.batch_alter_table('move', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_move_shipment'))
        batch_op.drop_index('ix_move_item')

    op.drop_table('move')
    with op.batch_alter_table('member', schema=None) as batch_op:
        batch_op.drop_index('ix_member_set')

    op.drop_table('member')
    with op.batch_alter_table('lot_route', schema=None) as batch_op:
        batch_op.drop_index('uq_lot_route_open_lot', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('lot_route')
    with op.batch_alter_table('lot_holding', schema=None) as batch_op:
        batch_op.drop_index('uq_lot_holding_open_lot', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index('ix_lot_holding_set')

    op.drop_table('lot_holding')
    with op.batch_alter_table('hold', schema=None) as batch_op:
        batch_op.drop_index('ix_hold_in_force', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('hold')
    op.drop_table('dry_pack')
    op.drop_table('dead_origin')
    with op.batch_alter_table('approval', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_approval_route'))

    op.drop_table('approval')
    op.drop_table('wafer')
    with op.batch_alter_table('station_state', schema=None) as batch_op:
        batch_op.drop_index('ix_station_state_open_station', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('station_state')
    op.drop_table('sign_in')
    op.drop_table('shipment')
    with op.batch_alter_table('secret', schema=None) as batch_op:
        batch_op.drop_index('uq_secret_open_person_kind', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('secret')
    op.drop_table('sample')
    with op.batch_alter_table('person_duty', schema=None) as batch_op:
        batch_op.drop_index('uq_person_duty_open_person_duty', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('person_duty')
    op.drop_table('panel')
    op.drop_table('pack')
    with op.batch_alter_table('mount', schema=None) as batch_op:
        batch_op.drop_index('uq_mount_open_station_place', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index('ix_mount_open_item', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('mount')
    op.drop_table('lot')
    with op.batch_alter_table('definition', schema=None) as batch_op:
        batch_op.drop_index('uq_definition_open_thing', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index(batch_op.f('ix_definition_thing'))

    op.drop_table('definition')
    with op.batch_alter_table('content', schema=None) as batch_op:
        batch_op.drop_index('uq_content_open_item', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index('ix_content_open_set', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index('ix_content_open_container', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('content')
    with op.batch_alter_table('certificate', schema=None) as batch_op:
        batch_op.drop_index('ix_certificate_open_person', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('certificate')
    op.drop_table('batch')
    with op.batch_alter_table('attendance', schema=None) as batch_op:
        batch_op.drop_index('ix_attendance_open_station', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))
        batch_op.drop_index('ix_attendance_open_person', sqlite_where=sa.text('closed_e is null'), postgresql_where=sa.text('closed_e is null'))

    op.drop_table('attendance')
    op.drop_table('token')
    op.drop_table('thing')
    with op.batch_alter_table('terminal', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_terminal_hash'))

    op.drop_table('terminal')
    op.drop_table('seal')
    op.drop_table('person')
    op.drop_table('panel_set')
    op.drop_table('item')
    with op.batch_alter_table('evidence', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_evidence_digest'))

    op.drop_table('evidence')
    op.drop_table('container')
    with op.batch_alter_table('code', schema=None) as batch_op:
        batch_op.drop_index('ix_code_kind_thing')

    op.drop_table('code')
    with op.batch_alter_table('alias', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_alias_value'))
        batch_op.drop_index('ix_alias_kind_thing')

    op.drop_table('alias')
    op.drop_table('throttle')
    with op.batch_alter_table('request', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_request_made_at'))

    op.drop_table('request')
    op.drop_table('entry')
