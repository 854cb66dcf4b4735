"""Every page that the app has, read off its routes: a new page is walked through without being named anywhere."""

import gzip
import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import product

from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from app.catalogue.definitions import THINGS
from app.codes import KIND_OF_LETTER
from app.main import _PAGES, _PUBLIC, make_app
from tests.browser.staging import PASSWORD, Stage

# page -> the test that walks it, or why none can here
ELSEWHERE = {
    "/first/{secret}": "once: the link that makes the first administrator",
    "/board/changes": "its events come as long as someone watches",
    "/paper/here": "test_paper.py, at an enrolled terminal",
    "/packs/{code}/dies/map.png": "a picture: test_dies_inside.py, where a logged wafer is inside",
    "/floor/undo/{entry}": "test_terminal.py, where there is something to take back",
}
# what a page must be asked to show something
ASKED = {
    "/catalogue/edit": "kind=recipe", "/floor/state": "station={station}", "/do/act": "call=/runs", "/exposure/csv": "suspect={reel}",
    "/codes": "kind=station", "/paper/area": "area=hall",
    "/differs": "code={reel}&code={loose}", "/differs/csv": "code={reel}&code={loose}",
    "/wafers/{code}/chosen": "x=1&y=1", "/panels/{code}/chosen": "row=1&column=1",
}  # fmt: skip


def from_the_routes(stage: Stage) -> list[str]:
    """A path of each page. One with parameters is that of the first thing of the staged factory that it shows."""
    found, silent = [], []
    with signed_in(stage) as client:
        for path in page_routes():
            for filled in _filled(stage, path):
                answer = client.get(filled, follow_redirects=False)
                if answer.status_code in (200, 303):
                    found += [filled] if answer.text.lstrip().lower().startswith("<!doctype html>") else []  # no file, and no piece of a page
                    break
            else:
                silent.append(path)
    assert silent == [], f"nothing of the staged factory is shown at {silent}"
    return found


def page_routes() -> list[str]:
    """The paths of everything that is got and is no call of the API."""
    routes = [one for router in (*_PAGES, *_PUBLIC) for one in router.routes if isinstance(one, APIRoute)]
    paths = [one.path for one in routes if "GET" in one.methods]
    assert "/" in paths and len(paths) > 70, "the routes are to be read elsewhere"
    return [path for path in paths if not path.startswith("/api/") and path not in ELSEWHERE]


@contextmanager
def signed_in(stage: Stage) -> Iterator[TestClient]:
    house = stage.factory.house
    client = TestClient(make_app(house.settings, house), headers={"Origin": "http://testserver"})  # its timer of seals stays off
    client.post("/sign-in", data={"badge": stage.badges["Ada"], "secret": PASSWORD})
    yield client
    client.close()


def weight(text: str) -> int:
    return len(gzip.compress(text.encode()))


def _filled(stage: Stage, path: str) -> Iterator[str]:
    station = stage.station("Attach")
    likely = path.split("/")[1]  # /lots/{code} shows a lot
    codes = sorted([*stage.codes.values(), station], key=lambda code: not likely.startswith(KIND_OF_LETTER[code[0]]))
    values = {"badge": list(stage.badges.values()), "kind": list(THINGS), "code": codes}
    names = re.findall(r"{(\w+)}", path)
    for chosen in product(*(values.get(name, [*codes, *map(str, range(1, 40))]) for name in names)):
        asked = ASKED.get(path, "").format(**stage.codes, station=station)
        yield path.format(**dict(zip(names, chosen, strict=True))) + (f"?{asked}" if asked else "")
