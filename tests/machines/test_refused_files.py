"""A file that is refused as input is kept with a row that says why; nobody's file is kept who may not send it."""

import os
from pathlib import Path

import pytest
from sqlalchemy import select

from app.db import House
from app.errors import BadInput, bad_input
from app.evidence.keep import read_kept
from app.evidence.models import Evidence
from app.evidence.refused import kept_when_refused
from app.journal.act import SYSTEM
from tests.machines.plant import Plant, plant

BAD = {
    "die_map": ("/wafers", "files", b"this is no map", {"part": "WR"}),
    "placement_log": ("/placement_logs", "file", b"time,wafer\n1,2\n", {}),
    "logger_file": ("/logger_files", "file", b"no time here\n1;2\n", {}),
}


def kept(house: House) -> list[tuple[str, bytes]]:
    with house.reading() as session:
        return [(row.kind, read_kept(house, row.digest)) for row in session.scalars(select(Evidence).order_by(Evidence.id))]


def send(do: Plant, kind: str, who: str, expect: int) -> str:
    path, field, data, more = BAD[kind]
    station = {"station": do.at["Attach" if kind == "placement_log" else "Oven"]} if kind != "die_map" else {}
    return str(do.post(path, expect, who, files=[(field, ("sent.txt", data))], **more, **station)["kind"])


def test_a_file_refused_as_input_is_evidence_with_the_reason(house: House) -> None:
    with plant(house) as do:
        for kind in BAD:
            assert send(do, kind, "operator", 422) == "bad_input"
        assert kept(house) == [(kind, data) for kind, (_, _, data, _) in BAD.items()]
        entry = do.get("/journal?limit=1")["entries"][0]
        assert (entry["action"], entry["who"], entry["arguments"]["kind"]) == ("keep_refused_file", "operator", "logger_file")
        with house.reading() as session:
            assert all("refused" in row.stated for row in session.scalars(select(Evidence)))
        assert do.findings() == []


def test_lines_that_name_nothing_of_ours_refuse_a_file_that_is_kept(house: House) -> None:
    with plant(house) as do:
        log = b"time,wafer,die x,die y,panel,row,column\n2026-03-05T14:30:00Z,RD-9,1,1,P26-000001-2,1,1\n"
        do.post("/placement_logs", 422, "operator", station=do.at["Attach"], files=[("file", ("b.csv", log))])
        assert kept(house) == [("placement_log", log)]


def test_a_file_of_one_who_may_not_is_not_kept(house: House) -> None:
    with plant(house) as do:
        for kind in BAD:
            assert send(do, kind, "administrator", 403) == "duty"
        assert not list((house.data_dir / "evidence").glob("*/*"))


def test_a_file_that_can_not_be_read_is_refused_as_such(house: House, tmp_path: Path) -> None:
    path, who = tmp_path / "a.csv", os.geteuid()
    path.write_bytes(b"time\n")
    path.chmod(0)
    if who == 0:
        os.seteuid(65534)  # everything is readable to root
    try:
        with pytest.raises(BadInput, match="not be read"), kept_when_refused(house, SYSTEM, "logger_file", [("a.csv", path)]):
            raise bad_input("It can not be read.", "a.csv", "No rights.", "Look at its rights.")
    finally:
        os.seteuid(who)
