"""Exposure of a wafer, a region of it, an oven load and a week's batch against the recursion that it rests on; by flow alone; with growth.

Timed are the numbers (`exposure_numbers`): least, expected, greatest and chance of every lot, sample, pack and panel by its id, of all packs and of
everything. The yardstick reads no names either. What codes, places, shipments, customers and the range behind a colour sort take on top of
that, as a page shows them, is in each measure's note.
"""

import resource
import statistics
from collections.abc import Callable, Iterator
from functools import partial

from sqlalchemy.orm import Session

from app.genealogy.exposure import exposure
from app.genealogy.exposure_network import network
from app.genealogy.exposure_numbers import exposure_numbers
from app.genealogy.suspects import Region, Suspect, suspected
from app.naming.resolve import Named
from benchmarks import bare
from benchmarks.measuring import Measure, Thunk, interleaved, once
from benchmarks.site import Site

REGION = Region(rectangle=(40, 40, 120, 120))
ALONE, FLOW, WEEK = 2.5, 10.0, 1.6
_KIND = {"exposure-wafer": "wafer", "exposure-region": "wafer", "exposure-load": "run"}


def alone_measure(name: str) -> Callable[[Site], Iterator[Measure]]:
    """Least, expected, greatest and chance of everything downstream."""

    def measure(site: Site) -> Iterator[Measure]:
        kind, region = _KIND[name], REGION if name == "exposure-region" else None
        with site.walking() as session:
            subjects = site.subjects(kind)
            pairs = [(partial(_exposed, session, one, region), _bare(site, one)) for one in subjects]
            timed = interleaved(pairs, max(1, site.rounds // 3))
            named = [once(partial(exposure, session, [Suspect(one, region)]))[0] for one in subjects * 2][len(subjects) :]
        yield timed.measure(name, ALONE, f"numbers; with names and places {statistics.median(named):.1f} ms")

    return measure


def flow_measure(site: Site) -> Iterator[Measure]:
    """The bounds of each pack and of all of them by maximum flow, also where sums along the draws say the same."""
    with site.walking() as session:
        subjects = [*site.subjects("wafer"), *site.subjects("run")]
        pairs = [(partial(_flows, session, one), _bare(site, one)) for one in subjects]
        yield interleaved(pairs, max(1, site.rounds // 3)).measure("exposure-flow", FLOW, "each pack and all of them by flow alone")


def week_measure(site: Site) -> Iterator[Measure]:
    """Ours alone first: by how much it makes the process grow."""
    week = site.weekly()
    with site.walking() as session:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        _exposed(session, week, None)
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024
        timed = interleaved([(partial(_exposed, session, week, None), _bare(site, week))], site.rounds, warm=0)
        named, _ = once(partial(exposure, session, [Suspect(week)]))
    yield timed.measure("exposure-week", WEEK, f"a week's batch, numbers; the process grew by {grown} MB; with names and places {named / 1000:.1f} s")


def growth_measure(site: Site) -> Iterator[Measure]:
    """A wafer's exposure on this history, against the same on a tenth of it."""
    with site.tenth() as tenth, site.walking() as here, tenth.walking() as there:
        both = zip(site.subjects("wafer"), tenth.subjects("wafer"), strict=False)
        pairs: list[tuple[Thunk, Thunk]] = [(partial(_exposed, here, one, None), partial(_exposed, there, other, None)) for one, other in both]
        timed = interleaved(pairs, max(1, site.rounds // 3))
    yield timed.measure("exposure-growth", 1.15, f"{site.history.days} days against {tenth.history.days}, a wafer; 1.3 with noise")


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
