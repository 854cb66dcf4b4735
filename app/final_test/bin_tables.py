"""By which bin table a test run sorts: its step's own, where a lot is tested in stages, else the product's."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import BinTableBody, Product
from app.catalogue.queries import Defined
from app.errors import bad_input
from app.floor.line_steps import step_of_line
from app.ledger.items import Lot
from app.ledger.runs import Line, Run


def tested_lot(session: Session, run: Run) -> Lot:
    return session.get_one(Lot, _line(session, run).item)


def bin_table_of(session: Session, run: Run) -> Defined[BinTableBody]:
    """The bin table, as it is now, of a test run."""
    found = bin_table_at(session, run)
    if found is None:
        product: Product = catalogue.with_id(session, tested_lot(session, run).product).body
        raise bad_input(f"{product.part_number} has no bin table.", "run", "The catalogue names none.", "Give counts by bin instead.")
    return found


def bin_table_at(session: Session, run: Run) -> Defined[BinTableBody] | None:
    """The same; None where the catalogue names none."""
    line = _line(session, run)
    step = step_of_line(session, line)
    product: Product = catalogue.with_id(session, session.get_one(Lot, line.item).product).body
    name = (step.bin_table if step else None) or product.bin_table
    return catalogue.named(session, "bin_table", name) if name else None


def grades_at(session: Session, run: Run) -> dict[str, str]:
    """Bin -> grade; empty when there is no table."""
    table = bin_table_at(session, run)
    return {one.name: one.grade for one in table.body.bins} if table else {}


def _line(session: Session, run: Run) -> Line:
    lines = list(session.scalars(select(Line).where(Line.run == run.id, Line.item.is_not(None)).order_by(Line.id)))
    if not lines or run.operation != "test":
        raise bad_input("This run tests no loose lot.", "run", f"It is {run.operation}.", "Name a test run.")
    if len({line.item for line in lines}) > 1:
        why = "Nobody could tell whose units are in its bins."
        raise bad_input("This run tests several lots.", "run", why, "Void it, merge the lots, and enter one test of the whole.")
    return lines[0]
