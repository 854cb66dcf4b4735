"""The web app: one installation, its pages and its API, and the timer that seals the journal."""

import logging
import threading
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import anyio.to_thread
from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles

from app.board import pages as board_pages
from app.catalogue import edit_pages
from app.catalogue import pages as catalogue_pages
from app.catalogue import queries as catalogue
from app.db import House
from app.desk import first_pages
from app.desk import pages as desk_pages
from app.evidence.keep import forget_half_kept
from app.floor import file_pages, place_pages
from app.floor import pages as floor_pages
from app.garbage import look_seldom
from app.genealogy import (
    before_mixing_pages,
    counts_pages,
    dies_pages,
    differs_pages,
    export_pages,
    exposure_pages,
    mock_recall_pages,
    record_pages,
    run_pages,
    trace_pages,
    traveller_pages,
)  # fmt: skip
from app.genealogy import pages as genealogy_pages
from app.journal.act import forget_old_keys
from app.journal.sealing import seal
from app.labels import pages as label_pages
from app.machines import (
    before_mixing,
    corrections,
    counts,
    dies,
    differs,
    exports,
    exposure,
    final_test,
    floor,
    form_pages,
    genealogy,
    holds,
    labels,
    lists,
    lots,
    mock_recalls,
    origins,
    ovens,
    packing,
    paper,
    people,
    placements,
    receiving,
    record,
    runs,
    stations,
)  # fmt: skip
from app.machines import board as board_calls
from app.machines import catalogue as catalogue_calls
from app.machines import pages as machine_pages
from app.machines.document import describe
from app.migrate import refuse_other_schema
from app.outages import outage_of
from app.ovens import pages as ovens_pages
from app.paper import area_pages
from app.paper import pages as paper_pages
from app.people import factor_pages, session_pages, sign_in_pages
from app.people import pages as people_pages
from app.people.callers import NotSignedIn, maybe_caller, note_refused, note_tried
from app.people.security import forget_old_events, write_noted
from app.scan import pages as scan_pages
from app.scan import terminal_pages
from app.settings import Settings
from app.web.guard import guard

_DAY = 86400.0
_log = logging.getLogger("reelroot")
_CALLS = (
    people.router, catalogue_calls.router, receiving.router, origins.router,
    lots.router, stations.router, floor.router, runs.router, final_test.router, placements.router, ovens.router,
    corrections.router, paper.router, packing.router, labels.router, holds.router, genealogy.router, record.router, exports.router,
    exposure.router, before_mixing.router, mock_recalls.router, differs.router, dies.router, counts.router, board_calls.router, lists.router,
)  # fmt: skip
_PAGES = (
    scan_pages.router,  # first, as the routes are tried in turn
    first_pages.router,
    desk_pages.router,
    people_pages.router,
    terminal_pages.router,
    session_pages.router,
    factor_pages.router,
    catalogue_pages.router,
    edit_pages.router,
    floor_pages.router,
    place_pages.router,
    file_pages.router,
    ovens_pages.router,
    paper_pages.router,
    area_pages.router,
    genealogy_pages.router,
    trace_pages.router,
    run_pages.router,
    traveller_pages.router,
    record_pages.router,
    export_pages.router,
    board_pages.router,
    label_pages.router,
    form_pages.router,
    exposure_pages.router,
    before_mixing_pages.router,
    mock_recall_pages.router,
    differs_pages.router,
    counts_pages.router,
    dies_pages.router,
)  # fmt: skip
_PUBLIC = (sign_in_pages.router, machine_pages.router)  # for whoever is not signed in


def make_app(settings: Settings, house: House | None = None) -> FastAPI:
    """The app over an installation whose database is at the newest schema."""
    one = house or House(settings)
    refuse_other_schema(one)
    look_seldom(after="the app")

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
        stop = threading.Event()
        sealer = threading.Thread(target=_seal_until, args=(one, stop, app), daemon=True)
        sealer.start()
        yield
        stop.set()
        sealer.join(timeout=5)

    app = FastAPI(
        title="Reelroot", version="1", openapi_url="/api/v1/openapi.json", docs_url=None, redoc_url=None, lifespan=lifespan,
        redirect_slashes=False,  # else /lots/ leads to an address of whatever host the request named
    )  # fmt: skip
    app.state.house = one
    app.state.calls = _CALLS  # every call is a form as well
    with one.reading() as session:
        app.state.zone = catalogue.site(session).zone
    describe(app)
    guard(app, settings.max_upload_mb << 20, lambda request: maybe_caller(request) is not None, note_refused, note_tried)
    app.exception_handler(NotSignedIn)(sign_in_pages.not_signed_in)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    for router in (*_PAGES, *_CALLS, *_PUBLIC):  # pages first: a page links to the page of a name, not to the call of the same name
        app.router.routes += router.routes  # as they are: to include a router is to make each of its routes once more
    return app


def _seal_until(house: House, stop: threading.Event, app: FastAPI) -> None:
    """Seals in rounds, and once more at the end; reads the site's zone, which another process may have loaded.

    Writes what was noted of tries. Once a day it forgets old keys, half-kept files and old tries.
    """
    next_sweep = time.monotonic()
    while True:
        is_last = stop.wait(house.settings.seal_seconds)
        try:
            seal(house)
            write_noted(house)
            with house.reading() as session:
                app.state.zone = catalogue.site(session).zone
            if time.monotonic() >= next_sweep:
                forget_old_keys(house)
                forget_half_kept(house)
                forget_old_events(house)
                next_sweep += _DAY
        except Exception as error:  # the database may be away for a while: the next round seals what this one could not
            outage = outage_of(error)
            _log.error("sealing failed, trying again in %s s: %s", house.settings.seal_seconds, outage.what if outage else "", exc_info=not outage)
        if is_last:
            return
