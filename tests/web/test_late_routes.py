"""Routes that are read when first asked for: matched before, read once, and every one of the program can be read."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Annotated

import pytest
from fastapi import APIRouter, Depends, FastAPI, Path, Query
from fastapi.exceptions import FastAPIError
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from app.db import House
from app.main import make_app
from app.web.late_routes import LateRoute, parameters_of

AT_ONCE = 16


@pytest.fixture
def router() -> APIRouter:
    return APIRouter(prefix="/reels", route_class=LateRoute)


def read(router: APIRouter) -> list[bool]:
    return ["dependant" in vars(route) for route in router.routes]


def test_it_tells_what_may_stand_in_an_address_several_times(router: APIRouter) -> None:
    def narrowed(bin: Annotated[list[str] | None, Query()] = None, since: str = "") -> None: ...

    @router.get("")
    def reels(_: Annotated[None, Depends(narrowed)], at: Annotated[tuple[str, ...], Query()] = (), of: int | None = None) -> None: ...

    (route,) = router.routes
    assert isinstance(route, LateRoute)
    assert parameters_of(route.dependant) == {"bin": True, "since": False, "at": True, "of": False}


def test_only_what_is_asked_for_is_read(router: APIRouter) -> None:
    @router.get("/{reel}")
    def reel(reel: Annotated[int, Path()]) -> dict[str, int]:
        return {"reel": reel}

    @router.post("/{reel}", status_code=201)
    def fill(reel: int, units: int) -> dict[str, int]:
        return {"reel": reel, "units": units}

    app = FastAPI()
    app.router.routes += router.routes
    browser = TestClient(app)
    assert read(router) == [False, False]
    assert browser.put("/reels/7").status_code == 405
    assert browser.get("/reels/7").json() == {"reel": 7}
    assert read(router) == [True, False]
    assert browser.get("/reels/seven").status_code == 422
    answer = browser.post("/reels/7?units=4500")
    assert (answer.status_code, answer.json()) == (201, {"reel": 7, "units": 4500})
    assert app.url_path_for("fill", reel=7) == "/reels/7"


def test_those_who_ask_at_once_read_it_once(router: APIRouter) -> None:
    made: list[int] = []

    class Counted(LateRoute):
        def get_route_handler(self):  # type: ignore[no-untyped-def]
            made.append(1)
            return super().get_route_handler()

    router.add_api_route("/{reel}", lambda reel: reel, route_class_override=Counted)
    (route,) = router.routes
    assert isinstance(route, Counted)
    start = Barrier(AT_ONCE)

    def ask(_: int) -> int:
        start.wait()
        return len(route.dependant.path_params)

    with ThreadPoolExecutor(AT_ONCE) as threads:
        assert [*threads.map(ask, range(AT_ONCE))] == [1] * AT_ONCE
    assert made == [1]


def test_what_can_not_be_read_says_so_each_time(router: APIRouter) -> None:
    @router.get("/{reel}")
    def reel(reel: Barrier) -> None: ...

    (route,) = router.routes
    for _ in range(2):
        with pytest.raises(FastAPIError, match="Barrier"):
            assert isinstance(route, APIRoute) and route.dependant


def test_every_route_of_the_program_can_be_read(house: House) -> None:
    routes = [route for route in make_app(house.settings, house).routes if isinstance(route, APIRoute)]
    assert routes and all(isinstance(route, LateRoute) for route in routes)
    assert all(callable(route.app) and route.dependant.call is route.endpoint for route in routes)
