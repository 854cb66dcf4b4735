"""Wafers with their die maps: from one file or many, all or nothing; and a map that is corrected in the open."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from sqlalchemy import Integer, String, bindparam, select, text
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Part
from app.catalogue.known import state_now
from app.db import House
from app.errors import bad_input, refuse
from app.evidence.keep import Kept, evidence_of, keep_and_read, record_evidence, said
from app.journal.act import By, lock, turn_to_name
from app.journal.record import AtOnce, number
from app.ledger.items import Item, Wafer
from app.listed import Question, listed, tuples
from app.naming.models import Alias
from app.naming.resolve import Named, code_for, code_of
from app.receiving.die_map import DieMap, Stated, dump, load
from app.receiving.die_maps import read_maps
from app.receiving.models import WaferMap

_NAMED = text("select thing from alias where kind = 'wafer' and value = :name and closed_e is null").bindparams(bindparam("name", type_=String()))
_OF_PART = listed("select item from wafer where item in :wafers and part = :part order by item", "wafers", part=Integer())


@dataclass(frozen=True)
class MapFile:
    """A file that was kept and read: its maps, each as the record keeps it, and what was stated about it."""

    kept: Kept
    maps: list[DieMap]
    packed: list[bytes]
    stated: Stated


def read_map_files(house: House, files: Sequence[tuple[str, bytes]], part: Part, stated: Stated) -> list[MapFile]:
    """Keeps and reads the files, outside any transaction. The part says which bins pass where neither file nor sender does."""
    if part.kind != "wafer":
        raise bad_input(f"{part.number} is not a wafer part.", "part", f"It is {part.kind}.", "Name the wafer's part.")
    stated = stated if stated.passing else replace(stated, passing=part.passing_bins)
    found = []
    for name, data in files:
        kept, maps = keep_and_read(house, name, data, partial(read_maps, data, name, stated))
        found.append(MapFile(kept, maps, [dump(one) for one in maps], stated))
    return found


def receive_wafers(session: Session, by: By, files: Sequence[MapFile], part: str, *, supplier: str = "") -> list[Named]:
    """A wafer for each map of each file. A wafer of this part that is here already is refused by its supplier's name."""
    return [wafer for file in files for wafer in _receive(session, by, file, part, supplier or "supplier")]


def _receive(session: Session, by: By, file: MapFile, part: str, supplier: str) -> list[Named]:
    names = [_name_of(file, n, die_map) for n, die_map in enumerate(file.maps, 1)]
    evidence = evidence_of(by, file.kept, "die_map", said(file.stated))
    items, maps = [Item(kind="wafer") for _ in names], [_map_row(*one) for one in zip(file.maps, file.packed, strict=True)]
    aliases = [Alias(kind="wafer", whose=supplier, what="wafer id", value=name.strip()) for name in names]
    turn, asking = turn_to_name(session), [Question(_NAMED, {"name": name}, list) for name in names]
    answers = number(session, by.number, evidence, *items, *maps, *aliases, asking=[*turn, *asking, *state_now(session)])
    known = answers[len(turn) : len(turn) + len(names)]
    found = catalogue.part(session, part)
    if found.body.role is None:
        raise bad_input(f"{part} has no role.", "part", "Its definition does not say what its dies are.", "State the role in the catalogue.")
    for name, so_named, die_map in zip(names, known, file.maps, strict=True):
        _must_be_new(session, file, name, so_named, found.id)
        _must_be_of_part(session, die_map, file, found.body)
    codes = [code_for(session, by, "wafer", item.id) for item in items]
    with AtOnce(session, asked_for=False) as writes:
        writes.enter(evidence, *items)
        for item, code, wafer_map, alias in zip(items, codes, maps, aliases, strict=True):
            wafer_map.wafer = alias.thing = item.id
            wafer_map.evidence = evidence.id
            writes.enter(Wafer(e=by.e, item=item.id, part=found.id, role=found.body.role), code, wafer_map, alias)
    return [Named("wafer", item.id, code.code) for item, code in zip(items, codes, strict=True)]


def _name_of(file: MapFile, n: int, die_map: DieMap) -> str:
    """The supplier's name of a wafer."""
    if not die_map.wafer:
        raise bad_input(f"{file.kept.name} does not name its wafer.", f"map {n}", "The wafer's identity is missing.", "State it with the file.")
    return die_map.wafer


def correct_die_map(session: Session, by: By, wafer: Named, file: MapFile) -> WaferMap:
    """A corrected map replaces the one in force, in the open. Placements stay as they are: they are facts."""
    lock(session, Item, [wafer.id])
    if len(file.maps) != 1:
        raise bad_input("A correction is one map.", file.kept.name, f"The file has {len(file.maps)} wafers.", "Send the one that is meant.")
    _must_not_be_of_another(session, wafer, file)
    before = session.scalar(select(WaferMap).where(WaferMap.wafer == wafer.id, WaferMap.closed_e.is_(None)))
    if before is not None:
        before.closed_e = by.e
        session.flush()
    evidence = record_evidence(session, by, file.kept, "die_map", said(file.stated))
    row = _map_row(file.maps[0], file.packed[0])
    row.e, row.wafer, row.evidence = by.e, wafer.id, evidence.id
    session.add(row)
    session.flush()
    return row


def map_of(session: Session, wafer: int) -> DieMap:
    """The map in force."""
    found = map_if_any(session, wafer)
    if found is None:
        raise refuse("not_here", f"{code_of(session, 'wafer', wafer)} has no die map.", "None was received.", "Import its map.")
    return found


def map_if_any(session: Session, wafer: int) -> DieMap | None:
    packed = session.scalar(select(WaferMap.packed).where(WaferMap.wafer == wafer, WaferMap.closed_e.is_(None)))
    return None if packed is None else load(packed)


def _map_row(die_map: DieMap, packed: bytes) -> WaferMap:
    return WaferMap(format=die_map.format, packed=packed, gross=die_map.gross, passing=die_map.passing, failing=die_map.failing)


def _must_be_new(session: Session, file: MapFile, name: str, so_named: Sequence[tuple[int]], part: int) -> None:
    """Nearly always nothing is named so; other suppliers' wafers of other parts may be."""
    if known := tuples(session, _OF_PART, wafers=[wafer for (wafer,) in so_named], part=part):
        code = code_of(session, "wafer", known[0][0])
        raise bad_input(f"Wafer {name} is here already.", file.kept.name, f"It was received as {code}.", "Leave it out, or correct its map.")


def _must_not_be_of_another(session: Session, wafer: Named, file: MapFile) -> None:
    """A map that names another wafer of the part that is here is that one's."""
    name, part = file.maps[0].wafer, session.get_one(Wafer, wafer.id).part
    named = [item for (item,) in session.execute(_NAMED, {"name": name})] if name else []
    so_named = [item for (item,) in tuples(session, _OF_PART, wafers=named, part=part)]
    if so_named and wafer.id not in so_named:
        why = f"The map is of {name}, which is {code_of(session, 'wafer', so_named[0])} here."
        raise bad_input(f"The map of {wafer.code} was not corrected.", file.kept.name, why, "Send the map of the wafer that is meant.")


def _must_be_of_part(session: Session, die_map: DieMap, file: MapFile, part: Part) -> None:
    """A file that names another wafer part of the catalogue as its product is not believed to be this one."""
    if not die_map.product or part.number.casefold() == die_map.product.casefold():
        return
    others = {other.name.casefold() for other in catalogue.every(session, "part") if other.body.kind == "wafer"}
    if die_map.product.casefold() in others:
        raise bad_input(
            f"Wafer {die_map.wafer} is of another part.", file.kept.name, f"The file says product {die_map.product}; {part.number} was stated.",
            "Check the part.",
        )  # fmt: skip
