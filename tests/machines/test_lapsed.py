"""What has lapsed is met wherever it is used: frames as they become panels, a mix by its own part, a bag as it ships."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from app.catalogue.definitions import Customer, Part, Product, Route, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"), Step(key="tape", name="tape", operation="tape"),
    Step(key="dry", name="dry", operation="dry pack"),
)  # fmt: skip


def ago(days: float) -> dict[str, str]:
    return {"happened_at": (datetime.now(UTC) - timedelta(days=days)).isoformat()}


def test_frames_that_expired_become_no_panels(house: House) -> None:
    with plant(house) as do:
        frames = do.post("/batches", part="FRAME", expires_at=ago(1)["happened_at"])["batch"]
        refused = do.post("/panels", 409, frames=frames, count=2)
        assert refused["kind"] == "material_lapsed" and refused["detail"].startswith(f"{frames} expired at ")
        do.post("/panels", frames=frames, count=2, **ago(2))
        (panel,) = do.post("/panels", frames=frames, count=1, fact=True)["panels"]
        assert do.get(f"/stops/{panel}")["holds"][0]["reason"].startswith("Recorded as a fact against a rule: ")


def test_a_mix_lasts_no_longer_than_its_own_part_does(house: House) -> None:
    with plant(house, ("part", Part(number="MIX", kind="adhesive", shelf_life_days=2))) as do:
        now = datetime.now(UTC)
        base = do.post("/batches", part="GLUE", expires_at=(now + timedelta(days=1)).isoformat())["batch"]
        for parents, more, days in (([do.batch("GLUE")], {}, 2), ([base], {}, 1), ([do.batch("GLUE")], {"expires_at": ago(-9)["happened_at"]}, 9)):
            mixed = do.post("/batches/mix", part="MIX", parents=parents, **more)["batch"]
            ends = datetime.fromisoformat(do.get(f"/batches/{mixed}")["expires_at"])
            assert ends == pytest.approx(now + timedelta(days=days), abs=timedelta(minutes=5))


@pytest.mark.parametrize("level", ["3", "1"])
def test_a_pack_does_not_ship_in_a_bag_whose_shelf_life_has_ended(house: House, level: Any) -> None:
    product = Product(part_number="DRY", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=20, moisture_level=level, shelf_months=1)
    with plant(house, ("product", product), ("route", Route(product="DRY", revision="1", steps=STEPS)), ("customer", Customer(name="Umbrel"))) as do:
        pack = sealed(do)
        if level == "1":  # not moisture-sensitive
            do.post("/shipments", packs=[pack], customer="Umbrel")
            return
        refused = do.post("/shipments", 409, packs=[pack], customer="Umbrel")
        assert (refused["kind"], "in its bag ended on" in refused["detail"]) == ("material_lapsed", True)
        again = do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"], again=True)["pack"]
        do.post("/shipments", packs=[again], customer="Umbrel")


def sealed(do: Plant) -> str:
    lot = do.lot(do.panels(1), product="DRY")
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    (good,) = do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"]
    parts = [{"lot": good["lot"], "units": 20}]
    pack = do.post("/packs", station=do.at["Taper"], parts=parts, line_clear=True)["pack"]
    return str(do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"], **ago(40))["pack"])
