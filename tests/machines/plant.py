"""The small factory behind the API, for stories of one thread: calls that expect a status, stations by name, a lead who signs."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from fastapi.testclient import TestClient
from small_factory import SYSTEM, Factory

from app.catalogue.definitions import Body
from app.db import House
from app.journal.act import act
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.tokens import make_token

MAP = "wafer: {}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(["11111111111111111111"] * 10)
PASSWORD = "long enough"


class Plant:
    """`at`: station codes by name. `signed`: what a signed call carries."""

    def __init__(self, client: TestClient, house: House, at: dict[str, str], badge: str, tokens: dict[str, str]) -> None:
        self.client, self.house, self.at, self.tokens = client, house, at, tokens
        self.signed = {"signed_by": badge, "password": PASSWORD}

    def call(self, method: str, path: str, expect: int, who: str, body: dict[str, Any]) -> Any:
        headers = {"Authorization": f"Bearer {self.tokens[who]}"}
        files = body.pop("files", None)
        how: dict[str, Any] = {"files": files, "data": body} if files else {"json": body} if method == "POST" else {}
        answer = self.client.request(method, f"/api/v1{path}", headers=headers, **how)
        assert answer.status_code == expect, answer.text
        return answer.json()

    def post(self, path: str, expect: int = 200, who: str = "all", **body: Any) -> Any:
        return self.call("POST", path, expect, who, body)

    def get(self, path: str, expect: int = 200, who: str = "all") -> Any:
        return self.call("GET", path, expect, who, {})

    def batch(self, part: str) -> str:
        return str(self.post("/batches", part=part)["batch"])

    def wafer(self, number: str, part: str = "WR") -> str:
        return str(self.post("/wafers", files=[("files", ("map.txt", MAP.format(number).encode()))], part=part, passing="1")["wafers"][0]["wafer"])

    def panels(self, count: int) -> list[str]:
        return list(self.post("/panels", frames=self.batch("FRAME"), count=count)["panels"])

    def lot(self, panels: list[str], product: str = "P1", **more: Any) -> str:
        return str(self.post("/lots", product=product, panels=panels, **more)["lot"])

    def mount(self, station: str, item: str, who: str = "all") -> int:
        """Its number."""
        self.post(f"/stations/{self.at[station]}/mount", who=who, item=item)
        return int(self.get(f"/stations/{self.at[station]}/mounts")["mounts"][0]["mount"])

    def start(self, station: str, *things: str, **more: Any) -> str:
        return str(self.post("/runs", station=self.at[station], things=list(things), line_clear=True, **more)["run"])

    def run(self, station: str, *things: str, **values: float) -> str:
        run = self.start(station, *things)
        self.post(f"/runs/{run}/finish", values=[{"name": name, "value": value} for name, value in values.items()])
        return run

    def materials(self, thing: str) -> set[str]:
        """Wafers and batches that a trace says can be in it, lead frames apart."""
        found = self.get(f"/trace/{thing}")
        return {row["code"] for row in found["wafers"]} | {row["code"] for row in found["batches"] if "FRAME" not in row["words"]}

    def findings(self) -> list[Any]:
        return list(self.get("/check", who="administrator")["findings"])


@contextmanager
def plant(house: House, *more: tuple[str, Body]) -> Iterator[Plant]:
    """`more`: of the catalogue, by kind."""
    factory = Factory(house).load(*more)
    given: dict[str, str] = {}

    def people(session: Any, by: Any) -> dict[str, str]:
        lead = add_person(session, by, "Quinn", ["quality", "lead"])
        set_secret(session, by, lead.id, "password", PASSWORD, cheap=True)
        given["badge"] = code_of(session, "person", lead.id)
        for name, duties in (
            ("all", ("operate", "lead", "quality", "engineer")), ("operator", ("operate",)), ("other operator", ("operate",)),
            ("administrator", ("administer",)),
        ):  # fmt: skip
            given[name] = make_token(session, by, name, duties, may_state_facts=name == "all")[1]
        return {}

    act(house, SYSTEM, "add_person", {}, people)
    stations = (*factory.stations, *(body.name for kind, body in more if kind == "station"))
    with house.reading() as session:
        at = {name: code_of(session, "station", thing) for name, thing in factory.things.items() if name in stations}
    with TestClient(make_app(house.settings, house)) as client:
        yield Plant(client, house, at, given.pop("badge"), given)
