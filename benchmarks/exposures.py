"""Exposure of a wafer, a region of it, an oven load and a week's batch against the recursion that it rests on; by flow alone; with growth."""

import resource
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

from sqlalchemy.orm import Session

from app.genealogy.exposure_network import network
from app.genealogy.exposure_numbers import exposure_numbers
from app.genealogy.suspects import Region, Suspect, suspected
from app.naming.resolve import Named
from benchmarks import bare
from benchmarks.history import open_history
from benchmarks.measuring import Measure, Thunk, interleaved
from benchmarks.site import Site

REGION = Region(rectangle=(40, 40, 120, 120))
ALONE, FLOW, WEEK = 2.5, 10.0, 1.6
_KIND = {"exposure-wafer": "wafer", "exposure-region": "wafer", "exposure-load": "run"}


def alone_measure(name: str) -> Callable[[Site], Iterator[Measure]]:
    """The whole answer: least, expected, greatest and chance, for every thing and group."""

    def measure(site: Site) -> Iterator[Measure]:
        kind, region = _KIND[name], REGION if name == "exposure-region" else None
        with site.walking() as session:
            pairs = [(partial(_exposed, session, one, region), _bare(site, one)) for one in site.subjects(kind)]
            yield interleaved(pairs, max(1, site.rounds // 3)).measure(name, ALONE, "least, expected, greatest and chance of everything downstream")

    return measure


def flow_measure(site: Site) -> Iterator[Measure]:
    """The bounds of each pack and of all of them by maximum flow, also where sums along the draws would say the same."""
    with site.walking() as session:
        subjects = [*site.subjects("wafer"), *site.subjects("run")]
        pairs = [(partial(_flows, session, one), _bare(site, one)) for one in subjects]
        yield interleaved(pairs, max(1, site.rounds // 3)).measure("exposure-flow", FLOW, "each pack and all of them by flow alone")


def week_measure(site: Site) -> Iterator[Measure]:
    week = site.weekly()
    with site.walking() as session:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        timed = interleaved([(partial(_exposed, session, week, None), _bare(site, week))], 1, warm=0)
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024
    yield timed.measure("exposure-week", WEEK, f"a week's batch; the process grew by {grown} MB, rows of both sides")


def growth_measure(site: Site) -> Iterator[Measure]:
    """A wafer's exposure on this history, against the same on a tenth of it."""
    house, history = open_history(site.folder, max(1, round(site.history.days / 10)), site.tenth_url("exposure-growth"), site.say)
    tenth = replace(site, house=house, history=history)
    try:
        with site.walking() as here, tenth.walking() as there:
            both = zip(site.subjects("wafer"), tenth.subjects("wafer"), strict=False)
            pairs: list[tuple[Thunk, Thunk]] = [(partial(_exposed, here, one, None), partial(_exposed, there, other, None)) for one, other in both]
            timed = interleaved(pairs, max(1, site.rounds // 3))
        yield timed.measure("exposure-growth", 1.15, f"{site.history.days} days against {history.days}, a wafer; 1.3 with noise")
    finally:
        house.dispose()


def _exposed(session: Session, one: Named, region: Region | None) -> int:
    found = exposure_numbers(session, [suspected(session, Suspect(one, region))])
    return len(found.panels) + len(found.things)


def _flows(session: Session, one: Named) -> None:
    net = network(session, [suspected(session, Suspect(one))])
    packs = [name for name, place in net.places.items() if place.kind == "pack"]
    for names in [*([name] for name in packs), packs]:
        net.mixing.bounds_by_flow(names)


def _bare(site: Site, one: Named) -> Thunk:
    return partial(bare.exposed, site.bare, **{one.kind: one.id})
