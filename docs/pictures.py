"""Takes the README's pictures: serves a copy of the demo and walks through it as its three users, in both schemes. `make pictures`.

What a picture shows is asked of the record, so that it can be taken anew from any demo. Small PNGs with a palette, in docs/pictures/.
"""

import io
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from PIL import Image
from playwright.sync_api import Browser, sync_playwright
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.db import House
from app.errors import Refused
from app.floor.standing import standings
from app.genealogy.trace import trace_back
from app.ledger.items import Lot
from app.ledger.places import Load
from app.ledger.runs import Run
from app.main import make_app
from app.migrate import is_newest, upgrade
from app.naming.resolve import Named, code_of, resolve
from app.people.people import everyone
from app.scan.questions import Question, question_about
from app.settings import Settings
from seed_demo.build import SignIn, load_demo, sign_ins
from seed_demo.worked_trace import worked_reel, worked_run

FOLDER = Path(__file__).parent / "pictures"
FLOOR, DESK, WALL = (1024, 600), (1280, 860), (1920, 1080)
COLOURS = 96


@dataclass(frozen=True)
class Picture:
    """`at`: what is brought to the top of the picture, if not the page's own top."""

    name: str
    duty: str
    path: str
    size: tuple[int, int] = DESK
    at: str = ""


def main(data: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "demo"
        shutil.copytree(data, copy)  # walking through leaves entries, and the demo stays as it is
        house = House(Settings(data_dir=copy))
        if not is_newest(house):
            upgrade(house)
        with serving(house) as url, sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=chromium())
            wanted = pictures(house)
            for duty in ("operate", "quality", "lead"):
                who = operator(house) if duty == "operate" else next(one for one in sign_ins(house) if duty in one.duties)
                for scheme in ("light", "dark"):
                    take(browser, url, who, scheme, [one for one in wanted if one.duty == duty])
            browser.close()


def pictures(house: House) -> list[Picture]:
    """The three walks."""
    truth = load_demo(house)
    with house.reading() as session:
        reel = worked_reel(truth)
        back = trace_back(session, resolve(session, reel, "pack"))
        run = worked_run(truth, back)
        station, lot, held = at_the_floor(session, operator(house).badge)
        load = load_of(session, run)
        wafer = max(back.wafers, key=lambda row: row.units or 0).code
    return [
        Picture("floor-question", "operate", f"/floor?station={station}&ask={lot}", FLOOR),
        Picture("floor-refusal", "operate", f"/floor?station={station}&ask={held}", FLOOR),
        Picture("traveller", "operate", f"/lots/{held}"),
        Picture("trace", "quality", f"/trace/{reel}"),
        Picture("cure", "quality", f"/loads/{load}/trace"),
        Picture("wafer", "quality", f"/wafers/{wafer}", at="#map"),
        Picture("exposure", "quality", f"/exposure?suspect={run}"),
        Picture("board", "lead", "/board", WALL),
        Picture("lots", "lead", "/lots"),
        Picture("journal", "lead", "/journal"),
    ]  # fmt: skip


def operator(house: House) -> SignIn:
    """One who bonds: a bonder asks with its wire loaded and a window running."""
    with house.reading() as session:
        bonds = {one.badge for one in everyone(session) if "wire bond" in {certificate.name for certificate in one.certificates}}
    return next(one for one in sign_ins(house) if one.duties == "operate" and one.badge in bonds)


def at_the_floor(session: Session, badge: str) -> tuple[str, str, str]:
    """A station and a lot that this person may start there, with most to tell; and a lot that is held."""
    lots = list(session.scalars(select(Lot).order_by(Lot.item.desc()).limit(300)))
    stand = standings(session, lots)
    held = max((lot for lot in lots if stand[lot.item].is_held), key=lambda lot: stand[lot.item].panels, default=lots[0])
    waiting = [lot for lot in lots if stand[lot.item].panels and not stand[lot.item].is_held and not stand[lot.item].in_work]
    asked = [one for lot in waiting for one in questions(session, Named("lot", lot.item, code_of(session, "lot", lot.item)), badge)]
    if not asked:
        raise SystemExit("No lot of this demo waits for this person: build it anew.")
    best = max(asked, key=lambda one: (one.window_seconds is not None, len(one.loaded)))
    return code_of(session, "station", best.station or 0), best.thing.code, code_of(session, "lot", held.item)


def questions(session: Session, lot: Named, badge: str) -> Iterator[Question]:
    """What each station would ask this person about the lot, where it would not refuse."""
    person = resolve(session, badge, "person").id
    for station in catalogue.every(session, "station"):
        if "cure" not in station.body.operations:  # ovens are filled through loads
            with suppress(Refused):
                yield question_about(session, lot, station.id, clock.now(), person)


def load_of(session: Session, run: str) -> str:
    """The oven load that was that run, or any that was."""
    wanted = resolve(session, run, "run").id
    found = session.scalar(select(Load.id).where(Load.run == wanted)) or session.scalars(select(Load.id).join(Run, Run.id == Load.run)).first()
    return code_of(session, "load", found or 0)


def take(browser: Browser, url: str, who: SignIn, scheme: str, wanted: list[Picture]) -> None:
    context = browser.new_context(color_scheme="dark" if scheme == "dark" else "light")
    page = context.new_page()
    page.goto(f"{url}/sign-in")
    page.fill("[name=badge]", who.badge)
    page.fill("[name=secret]", who.password)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    for one in wanted:
        page.set_viewport_size({"width": one.size[0], "height": one.size[1]})
        page.goto(f"{url}{one.path}")
        if one.at:
            page.locator(one.at).evaluate("there => there.scrollIntoView()")
        keep(page.screenshot(), f"{one.name}-{scheme}")
    context.close()


def keep(png: bytes, name: str) -> None:
    """Few colours are enough for plain pages, and make a small file."""
    FOLDER.mkdir(exist_ok=True)
    picture = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(FOLDER / f"{name}.png", optimize=True)
    print(f"{name}.png {(FOLDER / f'{name}.png').stat().st_size // 1000} kB", flush=True)


@contextmanager
def serving(house: House) -> Iterator[str]:
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(make_app(house.settings, house), log_level="warning", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        yield f"http://127.0.0.1:{door.getsockname()[1]}"
        server.should_exit = True
        thread.join(timeout=10)


def chromium() -> str:
    found = next((path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None)
    if found is None:
        raise SystemExit("Chromium is not installed: install the packages `chromium` and `fonts-noto-cjk`.")
    return found


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "data/demo"))
