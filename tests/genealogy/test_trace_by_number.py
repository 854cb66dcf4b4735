"""Runs, lines and items are numbered apart: a trace must not take one for another of the same number."""

from small_factory import Factory

from app.db import House
from app.genealogy.trace import trace_back
from app.naming.resolve import Named


def test_a_line_with_the_number_of_its_only_panel_is_traced_as_any_other(house: House) -> None:
    factory = Factory(house).load()
    panels = factory.panels(4)
    first = panels[0].id
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lots = {panel.id: factory.lot([panel]) for panel in panels}
    assert first <= len(panels), "the last panels come first, so that from then on line n has panel n"
    for n in range(1, first + 1):
        run = factory.run("Attach", lots[panels[-n].id if n < first else first])
    with house.reading() as session:
        traces = [trace_back(session, Named(kind, n, "")) for kind in ("line", "run") for n in (1, run)]
    assert run == first
    assert len({(len(one.panels), len(one.batches), len(one.wafers), len(one.runs)) for one in traces}) == 1, traces
