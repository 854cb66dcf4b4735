"""The numbers of an exposure without a name: of every panel, lot, sample and pack by its id, and of all packs and of everything together.

This is what is computed; `exposure.py` adds codes, places, shipments and customers for those who read it, and the range behind a colour sort.
"""

from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.genealogy.exposure_network import Network, network
from app.genealogy.marked_panels import Marked
from app.genealogy.mixing import Numbers
from app.genealogy.suspects import Suspected

COUNTED = ("lot", "sample", "pack")
Thing = tuple[str, int]  # lot, sample or pack and its id


@dataclass(frozen=True)
class ExposureNumbers:
    """`panels`: all their cells, good or not. `things`: only what can have a marked unit; of a pack the units that may be marked."""

    panels: dict[int, Marked]
    things: dict[Thing, Numbers]
    packs: Numbers
    total: Numbers


def exposure_numbers(session: Session, suspicions: Sequence[Suspected]) -> ExposureNumbers:
    """Below suspicions that must all hold."""
    return numbers_of(network(session, suspicions))


def numbers_of(net: Network) -> ExposureNumbers:
    """Units of what can hold a suspect one; the others are left out."""
    names = names_of(net)
    every = {thing: net.mixing.numbers(its) for thing, its in names.items() if thing[0] in COUNTED}
    packs = net.mixing.numbers([name for (kind, _), its in names.items() if kind == "pack" for name in its])
    return ExposureNumbers(
        {panel: marked for panel, marked in net.marked.items() if marked.possible},
        {thing: numbers for thing, numbers in every.items() if numbers.greatest}, packs, net.mixing.numbers(net.places),
    )  # fmt: skip


def names_of(net: Network) -> dict[Thing, list[Hashable]]:
    """The outlets of each thing."""
    names: defaultdict[Thing, list[Hashable]] = defaultdict(list)
    for name, place in net.places.items():
        names[place.kind, place.item].append(name)
    return dict(names)
