"""Units that shipped beyond what an order asks for; shipments and packs by their order"""

import sqlalchemy as sa
from alembic import op

revision = "over_shipments"
down_revision = "diversions"
branch_labels = None
depends_on = None


def upgrade() -> None:
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "over_shipment",
        sa.Column("shipment", number, nullable=False),
        sa.Column("order", number, nullable=False),
        sa.Column("units", number, nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("e", number, nullable=False),
        sa.ForeignKeyConstraint(["e"], ["entry.id"], name=op.f("fk_over_shipment_e_entry"), initially="DEFERRED", deferrable=True),
        sa.ForeignKeyConstraint(["order"], ["thing.id"], name=op.f("fk_over_shipment_order_thing")),
        sa.ForeignKeyConstraint(["shipment"], ["shipment.id"], name=op.f("fk_over_shipment_shipment_shipment")),
        sa.PrimaryKeyConstraint("shipment", "order", name=op.f("pk_over_shipment")),
    )
    op.create_index("ix_shipment_order", "shipment", ["order"])
    op.create_index("ix_pack_order", "pack", ["order", "item"])


def downgrade() -> None:
    op.drop_index("ix_pack_order", "pack")
    op.drop_index("ix_shipment_order", "shipment")
    op.drop_table("over_shipment")
