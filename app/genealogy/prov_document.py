"""The chain of a pack or lot in W3C PROV (PROV-DM, 2013), by the `prov` library: PROV-JSON or PROV-N.

A thing is an entity, a line of a run an activity, a station and a person agents. What came of what is derivation, so that a reader who
knows nothing of this trade finds every origin by following it. One activity's material derives only what it was surely or possibly on.
"""

from typing import TYPE_CHECKING

from app.genealogy.chain import Chain, Work
from app.genealogy.uris import Uris

if TYPE_CHECKING:
    from prov.model import ProvDocument

_KINDS = ("wafer", "batch", "panel", "lot", "sample", "pack", "run", "station", "person")


def prov_document(chain: Chain, uris: Uris) -> "ProvDocument":
    """Things are entities, run lines activities, stations and people agents; flows are derivations."""
    from prov.model import ProvDocument  # for whoever asks

    document = ProvDocument()
    for kind in _KINDS:
        document.add_namespace(kind, uris.namespace(kind))
    document.add_namespace("reelroot", uris.namespace("terms"))
    names = {item: f"{thing.kind}:{thing.code}" for item, thing in chain.things.items()}
    for item, thing in chain.things.items():
        document.entity(names[item], {"prov:label": thing.code, "prov:type": f"reelroot:{thing.kind}"})
    for passing in chain.passings:
        told = {"reelroot:how": passing.kind} | ({"reelroot:units": passing.units} if passing.units else {})
        document.wasDerivedFrom(names[passing.child], names[passing.parent], other_attributes=told)
    _add_lots(document, chain, names)
    for station in dict.fromkeys(work.station for work in chain.works):
        document.agent(f"station:{station}", {"prov:label": station, "prov:type": "reelroot:station"})
    for badge in dict.fromkeys(work.badge for work in chain.works if work.badge):
        document.agent(f"person:{badge}", {"prov:type": "prov:Person"})
    for work in chain.works:
        _add_work(document, work, names)
    return document


def _add_lots(document: "ProvDocument", chain: Chain, names: dict[int, str]) -> None:
    """A lot is the collection of the panels that travelled in it; what left a panel comes from its lots, too."""
    left = {(passing.parent, passing.child): passing.e for passing in chain.passings if passing.kind in ("cells", "draw")}
    for lot, panels in chain.travelled.items():
        for panel in panels:
            document.hadMember(names[lot], names[panel])
        for child in {child: None for (panel, child), e in left.items() if panels.get(panel, e) < e}:
            document.wasDerivedFrom(names[child], names[lot], other_attributes={"reelroot:how": "its panels"})


def _add_work(document: "ProvDocument", work: Work, names: dict[int, str]) -> None:
    activity = f"run:{work.run}-line-{work.line}"
    document.activity(activity, work.started_at, work.ended_at, {"prov:label": f"{work.operation}, run {work.run}", "prov:type": "reelroot:line"})
    document.wasAssociatedWith(activity, f"station:{work.station}")
    if work.badge:
        document.wasAssociatedWith(activity, f"person:{work.badge}")
    for material in (*work.materials, *work.perhaps, *work.wafers):
        document.used(activity, names[material])
    for thing in work.done_to:
        extent = "either" if thing in work.either else "whole"
        document.wasInfluencedBy(names[thing], activity, other_attributes={"reelroot:extent": extent})
        for material in (*work.materials, *(wafer for wafer, on in work.wafers.items() if thing in on)):
            document.wasDerivedFrom(names[thing], names[material], activity=activity, other_attributes={"reelroot:extent": extent})
        for material in work.perhaps:
            document.wasDerivedFrom(names[thing], names[material], activity=activity, other_attributes={"reelroot:extent": "either"})
