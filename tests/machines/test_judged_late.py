"""A logger's file that comes when the units are in packs: what is here is held, and what has moved on is named."""

from datetime import UTC, datetime, timedelta

from app.db import House
from tests.machines.plant import Plant, plant


def cured(do: Plant) -> str:
    """A lot whose cure was decided without a file."""
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("RD-1"))
    lot = do.lot(do.panels(2))
    do.run("Attach", lot)
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    do.post(f"/loads/{load}/put", things=[lot], shelf="1")
    do.post(f"/loads/{load}/start")
    line = do.post(f"/loads/{load}/end")["lines"][0]["line"]
    do.post(f"/lines/{line}/disposition", what="concession", words="cured before", **do.signed)
    return lot


def packed(do: Plant, lot: str) -> list[str]:
    do.run("Plasma", lot)
    do.mount("Bond 1", do.batch("AU20"))
    do.run("Bond 1", lot, pull=5.0)
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    test = do.start("Tester", loose)
    tested = do.post(f"/runs/{test}/bins", bins=[{"bin": "B1", "units": 40}])["bins"][0]["lot"]
    parts = [{"lot": tested, "units": 20}]
    return [do.post("/packs", station=do.at["Taper"], parts=parts, line_clear=True, short_reason="end of the lot")["pack"] for _ in range(2)]


def test_a_cure_that_is_judged_when_its_units_are_in_packs_names_them(house: House) -> None:
    with plant(house) as do:
        packs = packed(do, cured(do))
        do.post(f"/packs/{packs[0]}/dry_pack", station=do.at["Bagger"])
        do.post("/shipments", packs=[packs[0]], customer="Arden Lights")
        now = datetime.now(UTC)
        log = "\n".join(["time,T1 [C]", *(f"{(now - timedelta(minutes=m)).isoformat()},170.0" for m in (3, 2, 1, 0))])
        told = do.post("/logger_files", files={"file": ("log.csv", log.encode())}, station=do.at["Oven"])["judged"]
        assert [(one["verdict"], one["packs"]) for one in told] == [("does_not_conform", sorted(packs))]
        assert do.post(f"/lines/{told[0]['line']}/judge")["packs"] == sorted(packs)
        assert do.get(f"/stops/{packs[1]}")["stopped"]
