"""The site's zone in a process that did not load it: it is read again in each round of the timer."""

import threading

from app.catalogue.definitions import Site, thing_name
from app.catalogue.models import Definition, Thing
from app.db import House
from app.main import _seal_until, make_app
from tests.small_factory import Factory


def test_the_zone_that_another_process_loaded_is_taken_up(house: House) -> None:
    app = make_app(house.settings, house)
    site = Site(name="Tolland", zone="Asia/Tokyo")

    def write(session, by) -> None:  # type: ignore[no-untyped-def]
        thing = Thing(e=by.e, kind="site", name=thing_name("site", site))
        session.add(thing)
        session.flush()
        session.add(Definition(e=by.e, thing=thing.id, body=site.model_dump(mode="json")))

    Factory(house).do("load_catalogue", write)
    assert app.state.zone != "Asia/Tokyo"
    stop = threading.Event()
    stop.set()
    _seal_until(house, stop, app)
    assert app.state.zone == "Asia/Tokyo"
