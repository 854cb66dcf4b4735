"""Traces against the bare statements, over HTTP, and at ten times the history."""

from collections.abc import Iterator
from functools import partial

from app.genealogy.trace import trace_back, trace_forward
from benchmarks import bare
from benchmarks.measuring import Measure, interleaved
from benchmarks.site import Site

FUNCTION = {"sqlite": 2.5, "postgresql": 1.7}
MANY = 1.5


def trace_back_measure(site: Site) -> Iterator[Measure]:
    with site.walking() as session:
        pairs = [(partial(trace_back, session, one), partial(bare.back, site.bare, one.id)) for one in site.subjects("pack")]
        yield interleaved(pairs, site.rounds).measure("trace-back", FUNCTION[site.kind])


def trace_forward_measure(site: Site) -> Iterator[Measure]:
    with site.walking() as session:
        subjects = [*site.subjects("wafer"), *site.subjects("run")]
        pairs = [(partial(trace_forward, session, one), partial(bare.forward, site.bare, **{one.kind: one.id})) for one in subjects]
        yield interleaved(pairs, site.rounds).measure("trace-forward", FUNCTION[site.kind], "wafers and oven loads")
        batch = site.weekly()
        pairs = [(partial(trace_forward, session, batch), partial(bare.forward, site.bare, batch=batch.id))]
        yield interleaved(pairs, max(1, site.rounds // 5), warm=0).measure("trace-forward-batch", MANY, "a week's batch, to dataclasses")
