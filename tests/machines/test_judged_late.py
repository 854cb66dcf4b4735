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


def test_a_file_that_was_stated_wrongly_is_replaced_by_its_number(house: House) -> None:
    with plant(house) as do:
        lot = cured(do)
        now = datetime.now(UTC)
        log = "\n".join(["time,T1 [C]", *(f"{now - timedelta(minutes=m):%Y-%m-%dT%H:%M:%S.%f},170.0" for m in (3, 2, 1, 0))]).encode()
        sent = {"files": {"file": ("log.csv", log)}, "station": do.at["Oven"]}
        here = do.post("/logger_files", **sent, zone="UTC")
        assert [one["verdict"] for one in here["judged"]] == ["does_not_conform"]
        for replaces in ("the one before", "9999"):
            assert do.post("/logger_files", 422, **sent, zone="+01:00", replaces=replaces)["reasons"][0]["where"] == "replaces"
        right = do.post("/logger_files", **sent, zone="+01:00", replaces=str(here["evidence"]))
        assert "No logger file covers this round." in str(right["judged"]) and "fits no cure" in right["warning"]
        assert do.get(f"/stops/{lot}")["stopped"], "what the wrong file held is for quality to release"
        assert do.post("/logger_files", 409, **sent, zone="UTC", replaces=str(here["evidence"]))["kind"] == "changed"
