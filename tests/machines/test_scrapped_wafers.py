"""A wafer that is broken or went back is scrapped with a reason: it is mounted nowhere again, and what was on it went into nothing."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from app.board.production_day import Span
from app.board.shift_report import shift_report
from app.catalogue import queries as catalogue
from app.catalogue.definitions import ReasonEntry
from app.db import House
from app.desk.listing import asked_of, show
from app.desk.material import WAFERS
from app.genealogy.unclosed_counts import unclosed
from app.ledger.counts import CountEntry
from tests.machines.plant import MAP, Plant, plant
from tests.people.signing_in import client, person, post, sign_in
from tests.small_factory import Factory

REASON = ReasonEntry(name="broken in handling", of=("scrap wafer",))
HEAD = "time,wafer,die x,die y,panel,row,column\n"


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house, ("reason", REASON)) as one:
        yield one


def _placed(do: Plant) -> tuple[str, str, str]:
    """A wafer of 200 dies that gave 12 to a panel, and came off; the panel and the run."""
    wafer, (panel,) = do.wafer("RD-1"), do.panels(1)
    do.mount("Attach", wafer)
    do.mount("Attach", do.batch("GLUE"))
    run = do.run("Attach", do.lot([panel]))
    _log(do, wafer, panel, 12)
    do.post(f"/stations/{do.at['Attach']}/unmount", item=wafer)
    return wafer, panel, run


def _log(do: Plant, wafer: str, panel: str, dies: int, first: int = 0) -> None:
    at = datetime.now(UTC).isoformat()
    lines = [f"{at},{wafer},{n % 20},{n // 20},{panel},{n // 5 + 1},{n % 5 + 1}" for n in range(first, first + dies)]
    do.post("/placement_logs", station=do.at["Attach"], files={"file": ("log.csv", (HEAD + "\n".join(lines)).encode())})


def _listed(do: Plant, on: str) -> dict[str, str]:
    with do.house.reading() as session:
        found = show(session, WAFERS, asked_of(WAFERS, {"on": on})).rows
    return {str(row[0]): str(row[5]) for row in found}


def test_what_was_on_it_is_written_off_and_what_it_gave_is_traced_as_before(do: Plant) -> None:
    wafer, panel, _ = _placed(do)
    before = do.get(f"/exposure?suspect={wafer}")["total"]
    assert wafer in _listed(do, "not on a station")
    do.post("/scrap", thing=wafer, reason="broken in handling")
    told = do.get(f"/wafers/{wafer}")
    assert (told["passing"], told["placed"], told["scrapped"], told["left"], told["scrapped_for"]) == (200, 12, 188, 0, "broken in handling")
    assert do.get(f"/exposure?suspect={wafer}")["total"] == before
    assert wafer in do.materials(panel)
    assert [one["words"] for one in do.get(f"/trace/{panel}")["wafers"]] == ["red WR, scrapped"]
    assert [do.get(f"/wafers/{wafer}/dies/{x}/0")["state"] for x in (0, 15)] == ["placed", "scrapped"]
    drawn = do.get(f"/wafers/{wafer}/map")
    assert drawn["state_names"][int(drawn["states"][9][19])] == "scrapped"
    assert wafer not in _listed(do, "not on a station") and "scrapped" in _listed(do, "scrapped")[wafer]
    assert do.findings() == []


def test_a_log_that_comes_late_says_that_fewer_were_on_it(do: Plant) -> None:
    wafer, panel, _ = _placed(do)
    do.post("/scrap", thing=wafer, reason="broken in handling")
    _log(do, wafer, panel, 3, first=12)
    told = do.get(f"/wafers/{wafer}")
    assert (told["placed"], told["scrapped"], told["left"]) == (15, 185, 0)
    assert do.findings() == []


def test_a_scrapped_wafer_is_not_mounted_until_a_lead_takes_that_back(do: Plant) -> None:
    wafer, *_ = _placed(do)
    do.post("/scrap", thing=wafer, reason="broken in handling")
    refused = do.post(f"/stations/{do.at['Attach']}/mount", 409, item=wafer)
    assert refused["kind"] == "finished" and "broken in handling" in refused["detail"]
    spare = do.wafer("RD-2")
    do.mount("Attach", spare)
    assert do.post(f"/stations/{do.at['Attach']}/change_over", 409, item=wafer)["kind"] == "finished"
    assert do.post("/scrap", 409, thing=wafer, reason="broken in handling")["kind"] == "finished"
    do.post(f"/counts/{do.get(f'/wafers/{wafer}')['scrap']}/take_back")
    told = do.get(f"/wafers/{wafer}")
    assert (told["scrapped"], told["left"], told["scrapped_at"]) == (0, 188, None)
    do.post(f"/stations/{do.at['Attach']}/unmount", item=spare)
    do.mount("Attach", wafer)


def test_a_wafer_that_is_used_up_is_scrapped_like_any_other(do: Plant, house: House) -> None:
    wafer = do.wafer("RD-1")
    none_passes = MAP.format("RD-1").replace("null: .", "null: .\nbin 1: fail")
    do.post(f"/wafers/{wafer}/map", files={"file": ("map.txt", none_passes.encode())})
    assert do.get(f"/wafers/{wafer}")["left"] == 0
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        where = f"/wafers/{wafer}"
        assert "No passing die is left on it to be written off" in browser.get(where).text
        assert post(browser, where, f"{where}/scrap", reason="broken in handling").headers["location"].endswith(where)
    assert do.post(f"/stations/{do.at['Attach']}/mount", 409, item=wafer)["kind"] == "finished"
    assert (do.get(f"/wafers/{wafer}")["scrapped"], do.findings()) == (0, [])


def test_a_wafer_without_a_map_is_scrapped_and_nobody_knows_with_how_many_dies(do: Plant, house: House) -> None:
    factory = Factory(house)
    with house.reading() as session:
        factory.things["WR"] = catalogue.part(session, "WR").id
    wafer = factory.wafer().code
    do.post("/scrap", thing=wafer, reason="broken in handling")
    with house.reading() as session:
        scrap = session.scalars(select(CountEntry)).one()
        assert (scrap.units, scrap.book) == (0, None)
    assert wafer not in _listed(do, "not on a station") and "scrapped" in _listed(do, "scrapped")[wafer]
    assert do.post(f"/stations/{do.at['Attach']}/mount", 409, item=wafer)["kind"] == "finished"
    assert do.findings() == []


def test_what_can_not_be_scrapped_so_is_refused(do: Plant) -> None:
    wafer = do.wafer("RD-1")
    assert do.post("/scrap", 422, thing=wafer, reason="a bad day")["kind"] == "bad_input"
    assert do.post("/scrap", 422, thing=wafer, reason="broken in handling", units=5)["kind"] == "bad_input"
    do.mount("Attach", wafer)
    refused = do.post("/scrap", 409, thing=wafer, reason="broken in handling")
    assert refused["kind"] == "in_work" and "Attach" in refused["detail"]
    assert do.get(f"/wafers/{wafer}")["scrapped"] == 0


def test_a_wafer_at_its_supplier_is_scrapped_there(do: Plant) -> None:
    wafer = do.wafer("RD-1")
    do.post("/moves", thing=wafer, kind="outside", place="Quarry Dies")
    do.post("/scrap", thing=wafer, reason="broken in handling")
    assert do.get(f"/wafers/{wafer}")["scrapped"] == 200


def test_told_as_a_fact_it_comes_off_and_one_that_was_used_later_is_found(do: Plant, house: House) -> None:
    wafer, (panel,) = do.wafer("RD-1"), do.panels(1)
    do.mount("Attach", wafer)
    do.post("/scrap", thing=wafer, reason="broken in handling", fact=True)
    assert do.get(f"/stations/{do.at['Attach']}")["loaded"] == []
    assert do.findings() == []
    do.post(f"/stations/{do.at['Attach']}/mount", item=wafer, fact=True)
    do.mount("Attach", do.batch("GLUE"))
    run = do.run("Attach", do.lot([panel]))
    _log(do, wafer, panel, 4)
    assert [(one["where"], one["what"]) for one in do.findings()] == [
        (wafer, "is on a station, and was scrapped"), (wafer, f"was scrapped, and run {run} began with it later"),
    ]  # fmt: skip
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.kind, found.code, found.difference, [row.run for row in found.rows]) == ("wafer", wafer, 4, [run])


def test_the_report_of_the_shift_counts_wafers_apart_from_units(do: Plant) -> None:
    do.post("/scrap", thing=do.wafer("RD-1"), reason="broken in handling")
    do.post("/scrap", thing=do.panels(1)[0], reason="dropped", units=2)
    now = datetime.now(UTC)
    with do.house.reading() as session:
        report = shift_report(session, Span("all", now.date(), now - timedelta(hours=1), now + timedelta(hours=1)), now)
    assert (report.scrapped, report.wafers_scrapped) == ((("dropped", 2),), (("broken in handling", 1),))


def test_the_page_has_the_button_and_says_what_became_of_it(do: Plant, house: House) -> None:
    wafer = do.wafer("RD-1")
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        where = f"/wafers/{wafer}"
        wrong = post(browser, where, f"{where}/scrap", reason="a bad day")
        assert wrong.status_code == 422 and "not one of: broken in handling" in wrong.text and "Scrap this wafer" in wrong.text
        assert post(browser, where, f"{where}/scrap", reason="broken in handling").headers["location"].endswith(where)
        page = browser.get(where).text
        assert "200 passing dies were on it still" in page and "Scrap this wafer" not in page
