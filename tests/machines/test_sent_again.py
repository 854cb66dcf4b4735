"""What is stated of a file counts: sent again under one key it is a repeat, told otherwise it is none; and it is kept with the file."""

import json
from typing import Any

import pytest
from sqlalchemy import select

from app.db import House
from app.evidence.models import Evidence
from tests.machines.plant import MAP, Plant, plant

READINGS = "Time,A [C]\n2026-03-05 10:00,20.5\n2026-03-05 10:01,21.5\n"
LOGGED = "logger_files", {"station": "Oven"}, ("file", READINGS), {"zone": "UTC"}, {"zone": "+05:00"}
TWO_BINS = MAP.replace("1111", "1221")
RECEIVED = "wafers", {"part": "WR"}, ("files", TWO_BINS.format("W-1")), {"passing": "1"}, {"passing": "1, 2"}
CORRECTED = "wafers/{}/map", {}, ("file", TWO_BINS.format("W-9")), {"passing": "1"}, {"passing": "1, 2"}


def send(do: Plant, path: str, told: dict[str, str], file: tuple[str, str], key: str = "one") -> tuple[int, Any]:
    headers = {"Authorization": f"Bearer {do.tokens['all']}", "Idempotency-Key": key}
    answer = do.client.post(f"/api/v1/{path}", data=told, files=[(file[0], ("a.txt", file[1].encode()))], headers=headers)
    return answer.status_code, answer.json()


def test_that_no_code_means_no_die_is_kept_with_the_map_that_it_was_said_of(house: House) -> None:
    with plant(house) as do:
        silent = MAP.format("W-1").replace("null: .\n", "")
        said = {"passing": "1", "null": "none"}
        status, answer = send(do, "wafers", {"part": "WR"} | said, ("files", silent))
        assert status == 200
        wafer = answer["wafers"][0]["wafer"]
        assert send(do, f"wafers/{wafer}/map", said | {"passing": "1, 2"}, ("file", silent.replace("1111", "1221")), "two")[0] == 200
    with house.reading() as session:
        stated = [json.loads(one) for one in session.scalars(select(Evidence.stated).where(Evidence.kind == "die_map").order_by(Evidence.id))]
    assert stated == [{"passing": ["1"], "null": ""}, {"passing": ["1", "2"], "null": ""}]


@pytest.mark.parametrize(("path", "told", "file", "first", "then"), [LOGGED, RECEIVED, CORRECTED])
def test_what_is_stated_otherwise_is_no_repeat(
    house: House, path: str, told: dict[str, str], file: tuple[str, str], first: dict[str, str], then: dict[str, str]
) -> None:
    with plant(house) as do:
        path, told = path.format(do.wafer("W-9")), {name: do.at.get(value, value) for name, value in told.items()}
        status, answer = send(do, path, told | first, file)
        assert status == 200 and send(do, path, told | first, file) == (200, answer)
        refused, reasons = send(do, path, told | then, file)
        assert (refused, reasons["kind"]) == (422, "key_reused"), reasons
