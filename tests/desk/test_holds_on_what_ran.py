"""A hold on a run, or on what ran at a station for a time, is told where the run and the station are looked at, and as what it is."""

import re
from datetime import UTC, datetime, timedelta
from html import unescape

from people.signing_in import client, person, sign_in

from app.db import House
from app.holds.place import place_hold
from app.naming.resolve import Named, code_of
from tests.small_factory import Factory

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_a_hold_on_what_ran_at_a_station_is_none_on_the_station_and_stands_on_its_runs(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    runs = []
    for hours in (5, 1):
        run = factory.start("Attach", factory.lot(factory.panels(1)), at=NOON - timedelta(hours=hours))
        factory.finish(run, at=NOON - timedelta(hours=hours, minutes=-20))
        runs.append(run)
    with house.reading() as session:
        early, late = (code_of(session, "run", run) for run in runs)
        attach = Named("station", factory.things["Attach"], code_of(session, "station", factory.things["Attach"]))
    span = (NOON - timedelta(hours=6), NOON - timedelta(hours=3))
    factory.do("place_hold", lambda s, by: place_hold(s, by, attach, "a dull tool", span=span).id)
    factory.do("place_hold", lambda s, by: place_hold(s, by, Named("run", runs[1], late), "a cold plate").id)
    words = "what ran from 2026-03-02 06:00 UTC to 2026-03-02 09:00 UTC"
    with client(house) as browser:
        sign_in(browser, person(house, "Quy", "quality"))
        pages = {path: unescape(browser.get(path).text) for path in ("/holds", f"/stations/{attach.code}", f"/runs/{early}", f"/runs/{late}")}
    assert words in re.sub(r"<[^>]+>", "", pages["/holds"]) and f", on {words}: a dull tool" in pages[f"/stations/{attach.code}"]
    for run, reason, other in ((early, "a dull tool", "a cold plate"), (late, "a cold plate", "a dull tool")):
        assert "Holds on it" in pages[f"/runs/{run}"] and reason in pages[f"/runs/{run}"] and other not in pages[f"/runs/{run}"]
