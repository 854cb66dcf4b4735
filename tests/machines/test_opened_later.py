"""An opening that is told after work was: what began with the batch once its pot life had ended is held."""

from datetime import UTC, datetime, timedelta

from app.db import House
from tests.machines.plant import Plant, plant


def ago(hours: float) -> dict[str, str]:
    return {"happened_at": (datetime.now(UTC) - timedelta(hours=hours)).isoformat()}


def attached(do: Plant, hours: float) -> str:
    lot = do.lot(do.panels(1))
    run = do.start("Attach", lot, **ago(hours))
    do.post(f"/runs/{run}/finish", **ago(hours - 0.2))
    return lot


def reasons(do: Plant, lot: str) -> list[str]:
    return [hold["reason"].partition(" at ")[0] for hold in do.get(f"/stops/{lot}")["holds"]]


def test_what_began_after_the_pot_life_of_its_glue_is_held_once_its_opening_is_told(house: House) -> None:
    with plant(house) as do:
        glue = do.batch("GLUE")  # eight hours
        for item in (glue, do.wafer("W-1")):
            do.post(f"/stations/{do.at['Attach']}/mount", item=item, **ago(30))
        voided = do.start("Attach", do.lot(do.panels(1)), **ago(22))
        do.post(f"/runs/{voided}/void", reason="another lot", **ago(22))
        in_time, late = attached(do, 21), attached(do, 15)
        do.post(f"/batches/{glue}/open", **ago(24))
        assert (reasons(do, in_time), reasons(do, late)) == ([], [f"The pot life of {glue} had ended"])
        assert len(do.get("/holds")["holds"]) == 1
        assert do.findings() == []


def test_and_so_is_what_began_with_a_mix_of_it(house: House) -> None:
    with plant(house) as do:
        base = do.batch("GLUE")
        mixed = do.post("/batches/mix", part="GLUE", parents=[base], **ago(9))["batch"]
        for item in (mixed, do.wafer("W-1")):
            do.post(f"/stations/{do.at['Attach']}/mount", item=item, **ago(8))
        in_time, late = attached(do, 7), attached(do, 3)
        do.post(f"/batches/{base}/open", **ago(12))
        assert (reasons(do, in_time), reasons(do, late)) == ([], [f"The pot life of {base} had ended"])
