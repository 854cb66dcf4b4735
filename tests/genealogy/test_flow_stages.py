"""The stages of a flow picture: grouped where there are many, opened by the address, every member within reach."""

from urllib.parse import parse_qsl, urlencode

import pytest

from app.genealogy.flow_stages import MOST, FlowPicture, Opened, flow_of, in_words
from app.genealogy.item_rows import ItemRow
from app.genealogy.trace import Trace, WayRow


def panels_to_reel(panels: int, lots: int, wafers: int = 4) -> Trace:
    """Panels of 400 units in lots that all became one loose lot and one reel."""
    panel_rows = tuple(ItemRow("panel", f"P26-{n:06d}", "", 0, 400, where="floor") for n in range(panels))
    lot_rows = tuple(ItemRow("lot", f"L26-{n:06d}", "panel", 0, 0) for n in range(lots))
    loose = ItemRow("lot", "L26-999999", "loose A1 prime", 0, 0, stopped_by=("H26-000001-O",))
    reel = ItemRow("pack", "K26-000001", "reel P1 A1", 0, 0, units=3000)
    wafer_rows = tuple(ItemRow("wafer", f"W26-{n:06d}", f"red R{n % 2}", 0, 3000) for n in range(wafers))
    ways = [WayRow(panel.code, f"L26-{n % lots:06d}", 400) for n, panel in enumerate(panel_rows)]
    ways += [WayRow(lot.code, loose.code, 3000) for lot in lot_rows] + [WayRow(loose.code, reel.code, 3000)]
    ways += [WayRow(wafer.code, panel.code, 400) for wafer in wafer_rows for panel in panel_rows[:: max(1, panels // 50)]]
    subject = ItemRow("pack", reel.code, reel.words, 0, 0, 3000)
    return Trace("back", subject, wafer_rows, (), panel_rows, (*lot_rows, loose), (), (reel,), ways=tuple(ways))


def pictured(trace: Trace, opened: Opened | None = None) -> FlowPicture:
    return flow_of(trace, opened or Opened(), lambda code: f"/things/{code}", lambda turned: "?" + urlencode(turned.query()))


def turned_to(link: str) -> Opened:
    query = parse_qsl(link[1:])
    return Opened.read(*([value for name, value in query if name == wanted] for wanted in ("open", "after", "begin")))


def test_three_things_are_shown_as_they_are() -> None:
    picture = pictured(panels_to_reel(1, 1, 0))
    assert [(row.stage, row.name) for row in picture.rows] == [
        ("Panels", "P26-000000"), ("Lots", "L26-000000"), ("Loose lots", "L26-999999"), ("Packs", "K26-000001"),
    ]  # fmt: skip
    assert picture.rows[2].note.startswith("held")
    assert picture.rows[-1].note.startswith("3,000")


@pytest.mark.parametrize(("panels", "lots"), [(24, 1), (300, 13), (3000, 125), (3000, 3000)])
def test_many_are_grouped_and_each_stage_stays_readable(panels: int, lots: int) -> None:
    picture = pictured(panels_to_reel(panels, lots, 40))
    by_stage = {stage: [row for row in picture.rows if row.stage == stage] for stage in {row.stage for row in picture.rows}}
    assert all(len(rows) <= MOST + 1 for rows in by_stage.values())
    assert sum(len(row.goes_to) for row in picture.rows) <= 150
    assert len(picture.svg) < 150_000


def test_every_panel_is_within_reach_by_links() -> None:
    """Groups a dozen at a time, members a dozen at a time: a walk through them all meets each panel."""
    trace = panels_to_reel(620, 20, 0)
    seen: set[str] = set()
    met: set[str] = set()
    waiting = [Opened()]
    while waiting:
        opened = waiting.pop()
        key = urlencode(opened.query())
        if key in seen:
            continue
        seen.add(key)
        for row in pictured(trace, opened).rows:
            if row.stage == "Panels" and row.link.startswith("/things/"):
                met.add(row.name)
            elif row.stage == "Panels":
                waiting.append(turned_to(row.link))
    assert met == {panel.code for panel in trace.panels}
    assert len(seen) < 200


def test_a_group_opens_and_closes_and_the_rest_of_the_address_stays() -> None:
    trace = panels_to_reel(48, 2, 40)
    group = next(row for row in pictured(trace, Opened({"wafer": "red R0"})).rows if row.name == "24 panels of L26-000000")
    opened = turned_to(group.link)
    assert set(opened.group) == {"wafer", "panel"}
    names = [row.name for row in pictured(trace, opened).rows if row.stage == "Panels"]
    assert sum(name.startswith("P26") for name in names) == MOST
    assert "12 panels more of L26-000000" in names
    assert "close" in pictured(trace, opened).svg


def test_what_a_group_holds_is_never_more_than_what_is_traced() -> None:
    row = next(row for row in pictured(panels_to_reel(24, 1, 0)).rows if row.stage == "Panels")
    assert (row.name, row.least, row.greatest) == ("24 panels of L26-000000", 0, 3000), "24 panels had 9,600 units; the reel has 3,000"


def test_what_is_certain_of_panels_is_certain_of_their_one_lot() -> None:
    panels = tuple(ItemRow("panel", f"P26-{n:06d}", "", 300, 400) for n in range(2))
    lots = (ItemRow("lot", "L26-000001", "panel", 0, 0), ItemRow("lot", "L26-000002", "panel", 0, 0))
    ways = (WayRow("P26-000000", "L26-000001", 400), WayRow("P26-000001", "L26-000001", 400), WayRow("P26-000001", "L26-000002", 3))
    trace = Trace("forward", ItemRow("run", "R26-000001", "", 0, 0, 800), panels=panels, lots=lots, ways=ways)
    by_name = {row.name: (row.least, row.greatest) for row in pictured(trace).rows}
    assert by_name["L26-000001"] == (300, 800), "the other panel went with two lots: nobody says here how much with which"
    assert by_name["L26-000002"] == (0, 3)


def test_an_address_that_names_nothing_opens_nothing() -> None:
    trace = panels_to_reel(48, 2, 0)
    odd = Opened.read(["panel:NOPE", "x", "nowhere:y", "panel"], ["panel:ZZZ"], ["panel:???"])
    assert [row.name for row in pictured(trace, odd).rows] == [row.name for row in pictured(trace).rows]


@pytest.mark.parametrize(("least", "greatest", "words"), [(0, 0, "0"), (1500, 1500, "1,500"), (0, 1500, "up to 1,500"), (200, 1500, "200 to 1,500")])
def test_bounds_in_words(least: int, greatest: int, words: str) -> None:
    assert in_words(least, greatest) == words
