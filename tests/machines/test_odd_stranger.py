"""A stranger whose factory is as unlike the others as it can be, and who tells a history of long ago in odd orders, all over HTTP.

Panels of one cell and of 40 x 60, lots of one panel, steps that need nothing, names in other scripts, numbers as keys of steps, times in many
zones, files with byte order marks and units named by text. What the traces say is compared with the books kept here.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from fastapi.testclient import TestClient
from machines.test_stranger import Stranger
from people.signing_in import choose_own, token

from app.db import House
from app.main import make_app

BEGAN = datetime(2019, 3, 30, 22, 15, tzinfo=UTC)
ZONES = (timezone(timedelta(hours=-11)), timezone(timedelta(hours=5, minutes=45)), UTC, timezone(timedelta(hours=14)))


class Historian(Stranger):
    """Says of every call when it was, a minute after the last, each time in another zone."""

    minutes = 0

    def post(self, path: str, expect: int = 200, **body: Any) -> Any:
        self.minutes += 1
        if not path.startswith("/catalogue"):
            body.setdefault("happened_at", (BEGAN + timedelta(minutes=self.minutes)).astimezone(ZONES[self.minutes % 4]).isoformat())
        files = body.pop("files", None)
        how: dict[str, Any] = {"files": files, "data": body} if files else {"json": body}
        answer = self.client.post(f"/api/v1{path}", headers={"Authorization": f"Bearer {self.bearer}"}, **how)
        assert answer.status_code == expect, answer.text
        return answer.json()


def step(key: str, operation: str, **more: Any) -> dict[str, Any]:
    return {"key": key, "name": f"шаг {key}", "operation": operation} | more


CATALOGUE = {
    "parts": [
        {"number": "晶圓-7", "kind": "wafer", "role": "blå", "passing_bins": ["A", "B"]},
        {"number": "Рамка", "kind": "lead frame", "rows": 40, "columns": 60},
        {"number": "Rähmchen", "kind": "lead frame", "rows": 1, "columns": 1}, {"number": "Œuvre moulée", "kind": "mould compound"},
    ],
    "bin_tables": [
        {
            "name": "표", "unbinned": "∅", "failed": "∅",
            "bins": [
                {"name": "Ä", "grade": "prime", "ranks": [{"column": "Helligkeit", "low": 100, "high": 1000}]},
                {"name": "Ω", "grade": "second", "ranks": [{"column": "Helligkeit", "low": 0, "high": 100}]},
                {"name": "∅", "grade": "reject"},
            ],
        }
    ],
    "products": [
        {
            "part_number": "Grün/Größe 1", "rows": 40, "columns": 60, "units_per_reel": 1000, "bin_table": "표", "seconds_part_number": "Grün-2",
            "roles": [{"role": "blå", "part": "晶圓-7"}], "max_lots_per_pack": 5,
        },
        {
            "part_number": "Winzling", "rows": 1, "columns": 1, "units_per_reel": 3, "bin_table": "표", "roles": [], "seconds_part_number": "Winz-2",
            "max_lots_per_pack": 9,
        },
    ],
    "routes": [
        {
            "product": "Grün/Größe 1", "revision": "0007", "steps": [
                step("900010", "die attach", role="blå", judged="placements"),
                step("Mould_900.020", "mould", needs=[{"kind": "mould compound", "part": "Œuvre moulée"}]),
                step("900030", "inspect", barrier=True), step("900040", "singulate"), step("900050", "test"), step("900060", "tape"),
            ],
        },
        {
            "product": "Winzling", "revision": "ß", "steps": [
                step("1", "inspect"), step("2", "plasma clean", barrier=True), step("99", "singulate"), step("100", "test"), step("7", "tape"),
            ],
        },
    ],
    "stations": [
        {"name": f"機 {does}", "area": "Façade", "operations": [does]}
        for does in ("die attach", "mould", "inspect", "plasma clean", "singulate", "test", "tape")
    ],
    "customers": [{"name": "Ångström & Søn"}, {"name": "Ørsted «Lys»"}],
}  # fmt: skip


@pytest.fixture
def me(house: House) -> Iterator[Historian]:
    bearer = token(house, "operate", "lead", "quality", "engineer", "administer")
    with TestClient(make_app(house.settings, house)) as client:
        one = Historian(client, bearer)
        one.post("/catalogue", **CATALOGUE)
        badge = one.post("/people", name="Zoë Ñandú", duties=["lead", "quality", "engineer"], password="given by Ada")["person"]
        one.signed = {"signed_by": badge, "password": choose_own(client, badge, "given by Ada")}
        one.at = {station["name"][2:]: station["station"] for station in one.get("/stations")}
        for product, revision in (("Grün/Größe 1", "0007"), ("Winzling", "ß")):
            one.post("/routes/approve", product=product, revision=revision, **one.signed)
        yield one


def test_large_panels_of_long_ago(me: Historian) -> None:
    frame, compound = (me.post("/batches", part=part, supplier_batch="№ 1")["batch"] for part in ("Рамка", "Œuvre moulée"))
    marks = ["第一板", "第二板"]
    one, two = me.post("/panels", frames=frame, marks=marks)["panels"]
    grid = "﻿x;y;die bin\r\n" + "".join(f"{x};{y};{'AB'[(x + y) % 2]}\r\n" for x in range(-30, 30) for y in range(-30, 30))
    files = [("files", (f"wäfer {n}.csv", grid.encode())) for n in (1,)]
    wafers = [me.post("/wafers", files=files, part="晶圓-7", wafer=number)["wafers"][0]["wafer"] for number in ("Ж-1", "Ж-2")]
    box, other = (me.post("/containers", kind="magazine", name=name)["container"] for name in ("Кассета", "Σ"))
    lot = me.post("/lots", product="Grün/Größe 1", panels=marks)["lot"]  # by the marks on the frames
    me.post(f"/containers/{box}/put", things=[lot])

    # the wafer is changed in mid-panel, the panels go to another magazine while the run is open, the log comes in two files
    me.mount("die attach", "Ж-1")
    run = me.post("/runs", station=me.at["die attach"], things=[box])
    began = BEGAN + timedelta(minutes=me.minutes)
    me.post(f"/containers/{other}/put", things=[one])
    me.post(f"/stations/{me.at['die attach']}/change_over", item="Ж-2")
    me.post(f"/runs/{run['run']}/finish")
    assert me.get(f"/containers/{box}")["panels"] == [two] and me.get(f"/containers/{other}")["panels"] == [one]
    dies = [(x, y) for x in range(-30, 30) for y in range(-30, 30)]
    cells = [(row, column) for row in range(1, 41) for column in range(1, 61)]

    def log(panel: str, *parts: tuple[str, int, int]) -> Any:
        """Cells from and to that have a wafer's dies; what stands in its file."""
        at = [(began + timedelta(seconds=1)).astimezone(zone).isoformat() for zone in ZONES]
        rows = [
            f"{at[i % 4]};{who};{dies[i][0]};{dies[i][1]};{panel};{cells[i][0]};{cells[i][1]}"
            for who, first, last in parts
            for i in range(first, last)
        ]
        data = "﻿time;wafer;die x;die y;panel;row;column\r\n" + "\r\n".join(rows)
        return me.post("/placement_logs", files=[("file", ("протокол.csv", data.encode()))], station=me.at["die attach"])

    assert log(one, ("Ж-1", 0, 1500))["judgements"] == []
    wafers_of = lambda thing: {row["code"]: (row["least"], row["greatest"]) for row in me.get(f"/trace/{thing}")["wafers"]}  # noqa: E731
    assert wafers_of("第一板") == {wafers[0]: (1500, 2400), wafers[1]: (0, 900)}
    assert log("第一板", ("Ж-2", 1500, 2400))["placed"] == 900
    assert wafers_of(one) == {wafers[0]: (1500, 1500), wafers[1]: (900, 900)}
    assert wafers_of(two) == {wafers[0]: (0, 2400), wafers[1]: (0, 2400)}
    assert [done["verdict"] for done in log(two, ("Ж-2", 0, 1500), ("Ж-1", 1500, 2400))["judgements"]] == ["conforms", "conforms"]
    assert wafers_of(lot) == {wafers[0]: (2400, 2400), wafers[1]: (2400, 2400)}
    assert me.get(f"/panels/{two}/cells/40/60")["dies"][0]["wafer"] == wafers[0]

    # moulded in two runs at one station, the second told first in another zone's clock
    me.mount("mould", compound)
    late, early = (me.run("mould", [thing])[0]["run"] for thing in (box, other))
    for thing in (two, one):
        me.run("inspect", [thing])
    cut = [me.run("singulate", [panel], finish="singulate")[1]["lot"] for panel in (one, two)]
    assert wafers_of(cut[0]) == {wafers[0]: (1500, 1500), wafers[1]: (900, 900)}

    # unit results with text for units, comma for the point, and a byte order mark
    loose = {}
    for lot_, units in zip(cut, (2400, 2400), strict=True):
        test = me.post("/runs", station=me.at["test"], things=[lot_], line_clear=True)["run"]
        rows = [f"Ü-{n:05};{'pass' if n % 10 else 'Кз'};{'120,5' if n % 4 else '80,25'}" for n in range(units)]
        data = "﻿unit;result;Helligkeit\r\n" + "\r\n".join(rows)
        found = me.post(f"/runs/{test}/unit_results", files=[("file", ("prüfung.csv", data.encode()))])
        assert (found["rows"], found["by_failure"]) == (units, {"Кз": 240})
        loose[lot_] = {one["bin"]: (one["lot"], one["units"]) for one in found["bins"]}
        assert {name: units for name, (_, units) in loose[lot_].items()} == {"Ä": 1680, "Ω": 480, "∅": 240}

    # one bin is tested again; what it gives goes into the same reel as the rest, and the loose lot is split in five
    again = me.post("/runs", station=me.at["test"], things=[loose[cut[0]]["Ω"][0]], step="900050", line_clear=True)["run"]
    found = me.post(f"/runs/{again}/bins", bins=[{"bin": "Ä", "units": 100}, {"bin": "Ω", "units": 380}])["bins"]
    better = next(one["lot"] for one in found if one["bin"] == "Ä")
    parts = [me.post(f"/lots/{loose[cut[1]]['Ä'][0]}/split", units=n)["lot"] for n in (1, 2, 3, 4)] + [loose[cut[1]]["Ä"][0]]
    assert sum(me.get(f"/lots/{part}")["counts"]["left"] for part in parts) == 1680

    def reel(*some: tuple[str, int], **more: Any) -> str:
        body = [{"lot": name, "units": n} for name, n in some]
        return str(me.post("/packs", station=me.at["tape"], parts=body, line_clear=True, short_reason="конец", **more)["pack"])

    mixed, pure = reel((better, 100), (parts[4], 900)), reel((parts[0], 1), (parts[1], 2), (parts[2], 3), (parts[3], 4))
    assert set(wafers_of(mixed)) == set(wafers_of(pure)) == set(wafers)
    runs_of = lambda thing: {run["run"] for run in me.get(f"/trace/{thing}")["runs"]}  # noqa: E731
    assert again in runs_of(mixed) and again not in runs_of(pure)
    assert {early, late} <= runs_of(mixed) and early not in runs_of(pure) and late in runs_of(pure)
    assert {row["code"] for row in me.get(f"/trace/{pure}")["panels"]} == {two}

    # shipped, taken back in part, re-reeled, cut; the rest is still with the customer
    me.post("/shipments", packs=[mixed, pure], customer="Ångström & Søn")
    back = me.post(f"/packs/{mixed}/take_back", units=150, reason="zurück")["pack"]  # nearest the hub: all of the better ones
    fills = [(fill["lot"], fill["pocket_to"] - fill["pocket_from"] + 1) for fill in me.get(f"/packs/{back}")["fills"]]
    assert fills == [(better, 100), (parts[4], 50)]
    turned = me.post(f"/packs/{back}/re_reel")["pack"]
    piece = me.post(f"/packs/{turned}/cut", units=100)["pack"]  # the outer end is what lay at the hub
    assert [fill["lot"] for fill in me.get(f"/packs/{piece}")["fills"]] == [better]
    assert again in runs_of(piece) and again not in runs_of(turned)
    assert me.get(f"/trace/{again}?direction=forward")["customers"] == {}
    assert me.get(f"/trace/{late}?direction=forward")["customers"] == {"Ångström & Søn": 2}

    # a hold on the moulding station, over a span that began before its runs and ended in the midst of the second
    earlier, later = (datetime.fromisoformat(me.get(f"/runs/{run}")["started_at"]) for run in (late, early))
    span = {"span_from": (earlier - timedelta(days=3)).astimezone(ZONES[1]).isoformat(), "span_to": (later - timedelta(seconds=1)).isoformat()}
    me.post("/holds", subject=me.at["mould"], reason="Öl", **span)
    assert {pack for pack in (mixed, pure, turned, piece) if me.get(f"/stops/{pack}")["stopped"]} == {mixed, pure, turned}
    me.post("/shipments", packs=[piece], customer="Ørsted «Lys»")
    assert me.post("/shipments", 409, packs=[turned], customer="Ørsted «Lys»")["kind"] == "held"
    assert me.get("/check")["findings"] == []


def test_panels_of_one_cell_in_lots_of_one(me: Historian) -> None:
    frame = me.post("/batches", part="Rähmchen")["batch"]
    panels = me.post("/panels", frames=frame, count=5)["panels"]
    lots = [me.post("/lots", product="Winzling", panels=[panel])["lot"] for panel in panels]
    look = me.post("/runs", station=me.at["inspect"], things=lots)["run"]  # five lots in one run, nothing mounted
    me.post(f"/runs/{look}/interrupt", panels_done=panels[:2], panels_in_work=[panels[2]])
    again = me.post("/runs", station=me.at["inspect"], things=panels[2:])["run"]
    me.post(f"/runs/{again}/finish")
    assert me.post(f"/lots/{lots[0]}/merge", others=lots[1:])["lot"] == lots[0]
    me.run("plasma clean", [lots[0]], panels=panels[:4])
    assert me.post("/runs", 409, station=me.at["singulate"], things=[lots[0]])["kind"] == "not_next_step"
    me.run("plasma clean", [panels[4]])
    me.post(f"/panels/{panels[1]}/marks", cells=[{"row": 1, "column": 1}], reason="сломано")
    _, cut = me.run("singulate", [lots[0]], finish="singulate")
    assert cut["units"] == 4
    runs = {run["run"]: run for run in me.get(f"/trace/{cut['lot']}")["runs"]}
    assert [(line["least"], line["greatest"]) for line in runs[look]["lines"] if line["greatest"]] == [(1, 1), (0, 1)]
    assert sum(line["least"] for line in runs[again]["lines"]) == 2, "the third panel may have been done by either"
    _, bins = me.run("test", [cut["lot"]], finish="bins", bins=[{"bin": "Ä", "units": 3}, {"bin": "∅", "units": 1}])
    good = next(one["lot"] for one in bins["bins"] if one["bin"] == "Ä")
    singles = [me.post(f"/lots/{good}/split", units=1)["lot"] for _ in range(2)] + [good]
    pack = me.post("/packs", station=me.at["tape"], parts=[{"lot": one, "units": 1} for one in singles], line_clear=True)["pack"]
    assert {row["code"] for row in me.get(f"/trace/{pack}")["panels"]} == {panel for panel in panels if panel != panels[1]}
    pieces = [me.post(f"/packs/{pack}/cut", units=1)["pack"] for _ in range(2)] + [pack]
    assert [[fill["lot"] for fill in me.get(f"/packs/{piece}")["fills"]] for piece in pieces] == [[one] for one in reversed(singles)]
    joined = me.post("/packs/join", packs=pieces)["pack"]
    assert [fill["lot"] for fill in me.get(f"/packs/{joined}")["fills"]] == list(reversed(singles))
    assert {row["code"] for row in me.get(f"/trace/{panels[1]}?direction=forward")["packs"]} == set()
    assert {row["code"] for row in me.get(f"/trace/{frame}?direction=forward")["packs"]} == {joined}
    assert me.get("/check")["findings"] == []
