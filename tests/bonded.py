"""A lot whose pull was below its limit: what tests of judgements and of what was decided of them begin with."""

from sqlalchemy import select

from app.db import House
from app.floor.dispositions import dispose
from app.floor.readings import correct_reading
from app.ledger.runs import Line, Reading
from tests.small_factory import STEPS, Factory, Need, Record, Route, Step

BOND = Step(
    key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"),), records=(Record(name="pull", unit="gf", low=3.0),),
    judged="readings",
)  # fmt: skip


class Bonded:
    def __init__(self, house: House) -> None:
        self.factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=(BOND, STEPS[4]))))
        self.factory.mount("Bond 1", self.factory.batch("AU20"))
        (self.panel,) = panels = self.factory.panels(1)
        self.lot = self.factory.lot(panels)
        self.run = self.factory.run("Bond 1", self.lot, pull=1.0)
        with house.reading() as session:
            self.line, self.reading = session.scalars(select(Line.id)).one(), session.scalars(select(Reading.id)).one()

    def decide(self, what: str) -> None:
        self.factory.do("dispose", lambda s, by: dispose(s, by, self.line, what, "looked at").id)

    def put_right(self) -> None:
        self.factory.do("correct_reading", lambda s, by: correct_reading(s, by, self.reading, 5.0, "misread").was)
