"""What left a panel through good cells without a logged die; rows for what is there already.

A panel that logs tell of in part has such cells; which they are, the program derives as it does afterwards.
"""

from collections import defaultdict

import sqlalchemy as sa
from alembic import op

revision = "cells_without_a_die"
down_revision = "badges_reopen"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "bare_exit",
        sa.Column("child", _NUMBER, autoincrement=False, nullable=False),
        sa.Column("panel", _NUMBER, autoincrement=False, nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("round", _NUMBER, autoincrement=False, nullable=False),
        sa.ForeignKeyConstraint(["child"], ["item.id"], name=op.f("fk_bare_exit_child_item")),
        sa.ForeignKeyConstraint(["panel"], ["panel.item"], name=op.f("fk_bare_exit_panel_panel")),
        sa.PrimaryKeyConstraint("child", "panel", "step", "round", name=op.f("pk_bare_exit")),
        sqlite_with_rowid=False,
    )
    if rows := _rows_of_before(op.get_bind()):
        table = sa.table("bare_exit", *(sa.column(name) for name in ("child", "panel", "step", "round")))
        op.bulk_insert(table, rows)


def _rows_of_before(connection: sa.Connection) -> list[dict[str, object]]:
    """Of each exit: rounds of die attach that logs tell of on its panel, and that lack a die on a cell that went."""
    told: defaultdict[int, defaultdict[tuple[str, int], int]] = defaultdict(lambda: defaultdict(int))
    for panel, step, n, cells in connection.execute(_TOLD):
        told[panel][step, n] |= int.from_bytes(cells, "little")
    marks = defaultdict(list)
    for panel, e, closed_e, reason, cells in connection.execute(_MARKS):
        marks[panel].append((e, closed_e, reason, int.from_bytes(cells, "little")))
    rows = []
    for panel, child, e, kind, size in connection.execute(_EXITS):
        went = 0 if kind == "sample" else (1 << size) - 1
        for marked_e, closed_e, reason, cells in marks[panel] if panel in told else ():
            if kind == "sample":
                went |= cells if marked_e == e and reason == "sample" else 0
            elif marked_e <= e and (closed_e is None or closed_e > e):
                went &= ~cells
        rows += [{"child": child, "panel": panel, "step": s, "round": n} for (s, n), cells in told.get(panel, {}).items() if went & ~cells]
    return rows


_TOLD = sa.text("""
    select p.panel, coalesce(l.step, ''), l.round, p.cells
    from placement p join line l on l.run = p.run join member m on m."set" = l."set" and m.panel = p.panel
    where p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
""")
_MARKS = sa.text("select panel, e, closed_e, reason, cells from cell_mark")
_EXITS = sa.text("""
    select f.parent, f.child, f.e, i.kind, p.rows * p.columns
    from flow f join item i on i.id = f.child join panel p on p.item = f.parent where f.kind = 'cells'
""")


def downgrade() -> None:
    op.drop_table("bare_exit")
