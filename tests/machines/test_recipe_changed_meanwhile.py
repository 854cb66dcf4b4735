"""An oven load that was begun for a recipe which was changed before it started: nobody fills it further, and it doesn't start."""

from collections.abc import Iterator

import pytest

from app.db import House
from tests.machines.plant import Plant, plant

C170 = {"name": "C170", "set_point_c": 170, "band_low_c": 165, "band_high_c": 175}


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house) as one:
        yield one


def test_a_load_begun_before_its_recipe_was_changed_does_not_start(do: Plant) -> None:
    do.mount("Attach", do.wafer("RD-1"))
    do.mount("Attach", do.batch("GLUE"))
    first, second = do.lot(do.panels(1)), do.lot(do.panels(1))
    do.run("Attach", first, second)
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    do.post(f"/loads/{load}/put", things=[first], shelf="1")
    do.post("/catalogue", recipes=[C170 | {"soak_minutes": 200}])
    told = [("recipe_differs", f"Recipe C170 was changed after load {load} was begun, which would run it as it was.")]
    for path, body in ((f"/loads/{load}/put", {"things": [second], "shelf": "1"}), (f"/loads/{load}/start", {})):
        refused = do.post(path, 409, **body)
        assert [(one["kind"], one["why"]) for one in refused["reasons"]] == told
    do.post(f"/loads/{load}/cancel")
    again = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    do.post(f"/loads/{again}/put", things=[first, second], shelf="1")
    do.post(f"/loads/{again}/start")
