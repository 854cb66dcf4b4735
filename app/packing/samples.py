"""Samples from a pack: pockets that leave the tape, kept or destroyed. No outflow in the sense of rule 4: the pack stays itself."""

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor.samples import new_sample
from app.journal.act import By
from app.ledger.items import Sample
from app.naming.resolve import Named
from app.packing.contents import take_out, units_of
from app.packing.rework import leave_tape, ready


def sample_pockets(session: Session, by: By, pack: Named, first: int, last: int, purpose: str, *, kept: bool) -> Sample:
    """Takes the units of pockets `first` to `last`, numbered from the hub, out of a closed pack."""
    row = ready(session, by, [pack])[0]
    there = units_of(session, row.item)
    if not 1 <= first <= last <= there:
        raise bad_input("Those pockets are not there.", "first", f"{pack.code} has pockets 1 to {there}.", "Give a range within them.")
    sample = new_sample(session, by, last - first + 1, purpose, kept=kept)
    leave_tape(session, by, row.item, take_out(session, by, row.item, first, last), sample.item)
    return sample
