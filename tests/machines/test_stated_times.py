"""When something happened may be stated, but not for a time that is still to come: no act takes one, whatever it is and whoever says it."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
from people.signing_in import HERE, person, sign_in
from typer.testing import CliRunner

from app.cli import shell
from app.db import House
from tests.machines.plant import MAP, Plant, plant


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house) as one:
        yield one


def in_minutes(minutes: float) -> str:
    return (datetime.now(UTC) + timedelta(minutes=minutes)).isoformat()


def test_no_act_takes_a_time_that_is_still_to_come(do: Plant) -> None:
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("RD-1"))
    lot = do.lot(do.panels(2))
    run = do.start("Attach", lot)
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    log = f"time;T1 [C]\n{in_minutes(-2)};25.0\n{in_minutes(-1)};25.1\n".encode()
    before = do.get("/journal", who="administrator")["entries"][0]["entry"]
    for path, body in {
        "/runs": {"station": do.at["Scope"], "things": [lot]},
        f"/runs/{run}/finish": {},
        f"/runs/{run}/abort": {},
        f"/loads/{load}/cancel": {},
        "/counts": {"thing": lot, "units": 40, "method": "hand"},
        "/shipments": {"packs": ["K26-000096-9"], "customer": "Arden Lights"},
        "/batches": {"part": "GLUE"},
        "/holds": {"subject": lot, "reason": "bent frames"},
        f"/stations/{do.at['Attach']}/state": {"state": "standby", "reason": "no material"},
        "/wafers": {"files": [("files", ("map.txt", MAP.format("RD-2").encode()))], "part": "WR", "passing": "1"},
        "/logger_files": {"files": [("file", ("log.csv", log))], "station": do.at["Oven"]},
    }.items():
        for fact in (False, True):
            refused = do.post(path, 422, happened_at=in_minutes(5), fact=fact, **body)
            assert (refused["kind"], refused["reasons"][0]["where"]) == ("bad_input", "happened_at"), (path, refused)
            assert refused["title"] == "That time is still to come." and refused["now"], path
    after = {one["action"] for one in do.get("/journal", who="administrator")["entries"] if one["entry"] > before}
    assert after <= {"keep_refused_file"}


@pytest.mark.parametrize("fact", [False, True])
def test_no_act_takes_a_date_that_was_left_empty(do: Plant, fact: bool) -> None:
    """Programs write an empty date as the first of all: what comes of it could not be reckoned with, nor shown west of Greenwich."""
    lot = do.lot(do.panels(1))
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("RD-1"))
    for moment in ("0001-01-01T00:00:00Z", "1899-12-30T00:00:00Z", "1969-12-31T23:59:59Z"):
        refused = do.post("/runs", 422, station=do.at["Attach"], things=[lot], happened_at=moment, fact=fact)
        assert (refused["kind"], refused["reasons"][0]["where"]) == ("bad_input", "happened_at"), refused


def test_a_clock_that_is_a_little_ahead_is_taken_at_its_word(do: Plant) -> None:
    lot = do.lot(do.panels(1))
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("RD-1"))
    soon = in_minutes(0.75)
    run = do.start("Attach", lot, happened_at=soon)
    do.post(f"/runs/{run}/finish")
    assert datetime.fromisoformat(do.get(f"/runs/{run}")["started_at"]) == datetime.fromisoformat(soon)


def test_a_log_with_readings_that_are_still_to_come_is_refused_with_its_line_and_kept(do: Plant) -> None:
    """Times without a zone, told of a clock that is three hours behind ours: read in the wrong zone they are of the future."""
    at = datetime.now(UTC) - timedelta(hours=1)
    rows = [f"{at + timedelta(minutes=n):%Y-%m-%d %H:%M:%S};25,{n}" for n in range(5)]
    files = [("file", ("log.csv", "\n".join(["time;T1 [C]", *rows]).encode()))]
    refused = do.post("/logger_files", 422, files=files, station=do.at["Oven"], zone="-03:00")
    assert (refused["kind"], refused["reasons"][0]["where"]) == ("bad_input", "line 2")
    assert "4 more lines" in refused["detail"] and "still to come" in refused["detail"] and "zone" in refused["now"]
    assert do.post("/logger_files", files=files, station=do.at["Oven"], zone="UTC")["judged"] == []


def test_whoever_brings_a_log_that_covers_no_load_is_told_what_to_check(do: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a call, on the page and from the shell."""
    log = f"time;T1 [C]\n{in_minutes(-2)};25.0\n{in_minutes(-1)};25.1\n".encode()
    sent = {"call": "/logger_files", "station": do.at["Oven"]}
    warning = do.post("/logger_files", files=[("file", ("log.csv", log))], station=do.at["Oven"])["warning"]
    assert warning.startswith("The file fits no cure") and "check the zone" in warning

    pages = do.client
    sign_in(pages, person(do.house, "Mara", "operate"))
    token = re.search(r'name="form_token" value="([^"]+)"', pages.get("/do/act", params=sent).text)
    assert token is not None
    page = pages.post("/do/act", data={"form_token": token[1]} | sent, files={"file": ("log.csv", log)}, headers=HERE)
    assert page.status_code == 200 and warning in unescape(page.text) and "<dt>warning" not in page.text, page.text

    monkeypatch.setenv("REELROOT_DATA_DIR", str(do.house.data_dir))
    monkeypatch.setenv("REELROOT_DATABASE_URL", do.house.settings.database_url)
    file = do.house.data_dir / "log.csv"
    file.write_bytes(log)
    assert warning in CliRunner().invoke(shell, ["import", "logger", str(file), "--oven", do.at["Oven"]]).stdout


def test_what_a_loggers_file_leaves_open_can_be_stated(do: Plant) -> None:
    log = f"Zeit;Tür;Board;Fühler 1\n{in_minutes(-2)};zu;0,0;1,0\n{in_minutes(-1)};zu;0,0;-200\n".encode("latin-1")
    sent = {"files": [("file", ("log.csv", log))], "station": do.at["Oven"]}
    assert "latin-1" in do.post("/logger_files", 422, **sent)["now"]
    told = {"encoding": "latin-1", "time_column": "Zeit", "unit": "mV type K", "decimal": ",", "broken_values": "-200; 999,9"}
    assert do.post("/logger_files", 422, **sent, **told)["reasons"][0]["where"] == "broken_values"
    told["broken_values"] = "-200; 999.9"
    told["sensors"] = "Fühler 2;"
    assert "Name the sensors" in do.post("/logger_files", 422, **sent, **told)["now"]
    told["sensors"] = "Fühler 1;"
    assert "cold junction" in do.post("/logger_files", 422, **sent, **told)["detail"]
    assert do.post("/logger_files", **sent, **told, cold_junction_c=0)["judged"] == []
