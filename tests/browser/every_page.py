"""Every page that the app has, read off its routes: a new page is walked through without being named anywhere."""

import gzip
import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import product

import httpx
from fastapi.routing import APIRoute

from app.catalogue.definitions import THINGS
from app.main import _PAGES, _PUBLIC
from tests.browser.staging import PASSWORD, Stage

ONCE = "/first/{secret}"  # the link that makes the first administrator
NEVER_ENDING = ("/board/changes",)  # its events come as long as someone watches


def from_the_routes(stage: Stage) -> list[str]:
    """A path of each page. One with parameters is that of the first thing of the staged factory that it shows."""
    found, silent = [], []
    with signed_in(stage) as client:
        for path in page_routes():
            for filled in _filled(stage, path):
                answer = client.get(filled, follow_redirects=False)
                if answer.status_code in (200, 303):
                    found += [filled] if answer.headers.get("content-type", "").startswith("text/html") else []
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
    return [path for path in paths if not path.startswith("/api/") and path not in (*NEVER_ENDING, ONCE)]


@contextmanager
def signed_in(stage: Stage) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=stage.url, headers={"Origin": stage.url}, timeout=60) as client:
        assert client.post("/sign-in", data={"badge": stage.badges["Ada"], "secret": PASSWORD}).status_code == 303
        yield client


def weight(text: str) -> int:
    return len(gzip.compress(text.encode()))


def _filled(stage: Stage, path: str) -> Iterator[str]:
    codes = [*stage.codes.values(), stage.station("Attach")]
    values = {"badge": list(stage.badges.values()), "kind": list(THINGS), "area": ["hall"], "code": codes}
    names = re.findall(r"{(\w+)}", path)
    for chosen in product(*(values.get(name, [*codes, *map(str, range(1, 40))]) for name in names)):
        yield path.format(**dict(zip(names, chosen, strict=True)))
