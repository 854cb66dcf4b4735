"""Exposure: how many units of each pack, lot, panel, shipment, customer and place share a suspect origin, and the chance that any does.

*At least* and *at most* are exact bounds by network flow (`extremes.py`); a total is asked of its set, never summed. *Expected* and *chance*
assume that each draw is a random sample of what it was drawn from; behind a colour sort the expectation stands beside its range for odds
from 1/10 to 10. Where a unit may have had a suspect or something else (on the other side of a change-over, beside it on the station), each cell
or unit had exactly one of them: of one alone least 0 and greatest all, of all of them all. Expectation and chance take either as alike.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import House
from app.errors import bad_input
from app.floor.moves import shipped_with
from app.floor.whereabouts import Whereabouts
from app.genealogy.bin_evenness import bin_evenness
from app.genealogy.chances import Chance
from app.genealogy.exposure_network import Network, network
from app.genealogy.exposure_numbers import names_of
from app.genealogy.mixing import Exposed
from app.genealogy.suspects import Suspect, any_of, suspected
from app.ledger.items import Lot, Pack
from app.ledger.places import Shipment
from app.ledger.sets import last_lots
from app.listed import among
from app.naming.resolve import codes_of, codes_of_items

SHOWN_DIGITS = 3  # of a number of units, behind the point
ASSUMPTIONS = {
    "bounds": "Least and greatest hold however units mixed: maximum flow along the recorded draws.",
    "even": "Expected and chance assume even mixing: each draw is a random sample of what it was drawn from.",
    "bin": "Assumes that origin does not affect the bin; the range is for odds from 1/10 to 10 that a suspect unit falls into the bin.",
    "colour": "By colour: where die maps carry values and the tester measured the same colours, each unit's chance to be a suspect's.",
    "side": "A suspect on one side of a change-over, or beside another batch or wafer on a station: each unit is taken to have had either alike.",
    "weighed": "Where units were weighed or counted by hand, least and greatest hold for every true count within twice its uncertainty.",
    "found": "Where more was counted than the book said, nobody knows where it came from: greatest takes it for suspect, expected for half so.",
    "simulated": "The chance is simulated from a fixed seed, with its standard error; the ways of the marked units meet again.",
}


@dataclass(frozen=True)
class ExposedRow:
    """One thing or one group of them. `kind`: panel, lot, sample, pack, shipment, customer, place, all."""

    kind: str
    code: str
    words: str
    where: str
    exposed: Exposed
    members: int = 1


@dataclass(frozen=True)
class Exposure:
    """The answer to a suspicion: the total, and rows by kind in a fixed order; `assumes` says which assumptions some number rests on."""

    total: ExposedRow
    panels: tuple[ExposedRow, ...]
    lots: tuple[ExposedRow, ...]
    packs: tuple[ExposedRow, ...]
    shipments: tuple[ExposedRow, ...]
    customers: tuple[ExposedRow, ...]
    places: tuple[ExposedRow, ...]
    assumes: tuple[str, ...]


def exposure(session: Session, suspects: Sequence[Suspect], join: str = "any", house: House | None = None) -> Exposure:
    """Of any of several suspects, or of all of them together. With a `house`, its unit results tell bins by colour where they can."""
    if not suspects:
        raise bad_input("Nothing is suspected.", "suspects", "The list is empty.", "Name a wafer, batch, run, station, person, panel, lot or pack.")
    if join not in ("any", "all"):
        raise bad_input("Suspects are joined in one of two ways.", "join", f"It is {join!r}.", "Say any or all.")
    meant = [suspected(session, one) for one in suspects]
    results = house.data_dir / "unit_results" if house else None
    return _Answer(session, network(session, meant if join == "all" else [any_of(meant)], results)).exposure()


class _Answer:
    def __init__(self, session: Session, net: Network) -> None:
        self.session, self.net = session, net
        self.names = names_of(net)
        items = [item for _, item in self.names]
        self.codes = codes_of_items(session, [*dict.fromkeys(items), *net.marked])
        things: defaultdict[str, list[int]] = defaultdict(list, panel=list(net.marked))
        for kind, item in self.names:
            if kind in ("lot", "sample", "pack"):
                things[kind].append(item)
        self._where = Whereabouts(session, things, [panel for panel in net.marked if ("panel", panel) not in self.names])

    def exposure(self) -> Exposure:
        packs = [row for row in (self._pack(item) for kind, item in self.names if kind == "pack") if row.exposed.greatest]
        lots = [self._row("lot", item, self._lot_words) for kind, item in self.names if kind == "lot"]
        samples = [self._row("sample", item, {}) for kind, item in self.names if kind == "sample"]
        shown = [row for row in [*lots, *samples] if row.exposed.greatest]
        total = ExposedRow("all", "", "every marked unit", "", self._of(list(self.net.places)), self._members(self.net.places))
        every = (total, *packs, *shown)
        return Exposure(
            total, self._panels(), (*self._panel_lots(), *_sorted(shown)), _sorted(packs), self._shipments(), self._customers(), self._places(),
            self._assumes([row.exposed for row in every]),
        )  # fmt: skip

    def _of(self, names: Sequence[Hashable]) -> Exposed:
        return self.net.mixing.exposed(names)

    def _members(self, names: Iterable[Hashable]) -> int:
        return sum(self.net.places[name].members for name in names)

    def _row(self, kind: str, item: int, words: dict[int, str]) -> ExposedRow:
        return ExposedRow(kind, self.codes.get(item, ""), words.get(item, ""), self._where.told(item), self._of(self.names[kind, item]))

    def _pack(self, item: int) -> ExposedRow:
        exposed = self._of(self.names["pack", item])
        whole = replace(exposed, units=self.net.units.get(item, exposed.units))
        return ExposedRow("pack", self.codes.get(item, ""), self._pack_words.get(item, ""), self._where.told(item), whole)

    @cached_property
    def _packs(self) -> list[Pack]:
        return list(self.session.scalars(select(Pack).where(among(Pack.item, self._ids("pack")))))

    @cached_property
    def _pack_words(self) -> dict[int, str]:
        return {row.item: f"{row.form} {row.part_number}" + (f" {row.bin}" if row.bin else "") for row in self._packs}

    @cached_property
    def _lot_words(self) -> dict[int, str]:
        lots = self.session.scalars(select(Lot).where(among(Lot.item, self._ids("lot"))))
        return {lot.item: f"loose {lot.bin}" if lot.bin else "loose" for lot in lots}

    def _ids(self, kind: str) -> list[int]:
        return [item for of, item in self.names if of == kind]

    def _panels(self) -> tuple[ExposedRow, ...]:
        found = []
        for panel, (units, sure, possible) in self.net.marked.items():
            if possible:
                found.append(ExposedRow("panel", self.codes.get(panel, ""), "cells", self._where.told(panel), self._known(units, sure, possible)))
        return _sorted(found)

    def _panel_lots(self) -> tuple[ExposedRow, ...]:
        lots = last_lots(self.session, list(self.net.marked))
        codes = codes_of(self.session, "lot", list(set(lots.values())))
        sums: defaultdict[int, list[tuple[int, int, int]]] = defaultdict(list)
        where: defaultdict[int, set[str]] = defaultdict(set)
        for panel, lot in lots.items():
            sums[lot].append(self.net.marked[panel])
            where[lot].add(self._where.told(panel))
        rows = [
            ExposedRow("lot", codes[lot], "panels", ", ".join(sorted(where[lot])), self._known(*map(sum, zip(*parts, strict=True))), len(parts))
            for lot, parts in sums.items()
        ]
        return _sorted([row for row in rows if row.exposed.greatest])

    def _known(self, units: int, sure: int, possible: int) -> Exposed:
        return _known(units, *self.net.mixing.within(sure, possible))

    def _shipments(self) -> tuple[ExposedRow, ...]:
        groups: defaultdict[int, list[int]] = defaultdict(list)
        for pack, shipment in self._shipped.items():
            groups[shipment].append(pack)
        codes = codes_of(self.session, "shipment", list(groups))
        return self._grouped("shipment", {codes[shipment]: (self._customer_of[shipment], packs) for shipment, packs in groups.items()})

    def _customers(self) -> tuple[ExposedRow, ...]:
        groups: defaultdict[str, list[int]] = defaultdict(list)
        for pack, shipment in self._shipped.items():
            groups[self._customer_of[shipment]].append(pack)
        return self._grouped("customer", {name: (name, packs) for name, packs in groups.items()})

    def _places(self) -> tuple[ExposedRow, ...]:
        """Where the marked units are: on the floor, in stock, shipped ..., scrapped, samples, differences."""
        groups: defaultdict[str, list[Hashable]] = defaultdict(list)
        for (kind, item), names in self.names.items():
            gone = {"scrapped": "scrapped", "difference": "difference", "sample": "samples"}.get(kind)
            groups[gone or self._where.place(item).kind] += names
        rows = [ExposedRow("place", "", place, place, self._of(names), self._members(names)) for place, names in groups.items()]
        return _sorted([row for row in rows if row.exposed.greatest])

    def _grouped(self, kind: str, groups: dict[str, tuple[str, list[int]]]) -> tuple[ExposedRow, ...]:
        rows = []
        for code, (words, packs) in groups.items():
            exposed = self._of([name for pack in packs for name in self.names["pack", pack]])
            units = sum(self.net.units.get(pack, 0) for pack in packs)
            rows.append(ExposedRow(kind, code, words, "shipped", replace(exposed, units=units), len(packs)))
        return _sorted([row for row in rows if row.exposed.greatest])

    @cached_property
    def _shipped(self) -> dict[int, int]:
        return shipped_with(self.session, self._ids("pack"))

    @cached_property
    def _customer_of(self) -> dict[int, str]:
        """Shipment -> customer."""
        rows = self.session.scalars(select(Shipment).where(among(Shipment.id, set(self._shipped.values()))))
        customers = {row.id: row.customer for row in rows}
        names = catalogue.with_ids(self.session, list(customers.values()))
        return {shipment: names[customer].name for shipment, customer in customers.items()}

    def _assumes(self, exposed: Sequence[Exposed]) -> tuple[str, ...]:
        keys = ["bounds", "even"]
        told = []
        if any(one.past_bin for one in exposed):
            keys.append("bin")
            told = self._contradicted()
        if self.net.mixing.network.told:
            keys.append("colour")
        marks = [marks for node, marks in self.net.mixing.network.marks.items() if node not in self.net.found]
        if any(sure != possible for _, sure, possible in (*self.net.marked.values(), *marks)):
            keys.append("side")
        if self.net.found:
            keys.append("found")
        if self.net.mixing.is_uncertain:
            keys.append("weighed")
        if any(one.chance.how == "simulated" for one in exposed):
            keys.append("simulated")
        return (*(ASSUMPTIONS[key] for key in keys), *told)

    def _contradicted(self) -> list[str]:
        """Where lots of one wafer each show that origin does affect the bin."""
        products = {row.product for row in self._packs}
        return [
            f"Contradicted: {one.lots} tested lots of one {one.role} wafer each differ in their bins more than chance allows (chi-square, "
            f"p = {one.p:.1g}). Take the range, or the expectation by colour."
            for product in sorted(products)
            for one in bin_evenness(self.session, product)
            if one.is_contradicted
        ]


def _known(units: int, sure: int, possible: int) -> Exposed:
    """Where each cell is known nothing was mixed; one that may be marked is so or not alike."""
    expected = (sure + possible) / 2
    return Exposed(units, sure, expected, possible, expected, expected, Chance(1.0 if sure else 1.0 - 0.5**possible), past_bin=False)


def _sorted(rows: Sequence[ExposedRow]) -> tuple[ExposedRow, ...]:
    """The worst first: by expectation as files show it, for a sum's last bits differ between machines; then by code."""
    return tuple(sorted(rows, key=lambda row: (-round(row.exposed.expected, SHOWN_DIGITS), row.code)))
