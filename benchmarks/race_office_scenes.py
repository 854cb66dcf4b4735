"""States of what is planned and administered, in which several calls are possible at once: people, terminals, tokens, the catalogue, paper."""

import random
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue.approve import approve_route
from app.catalogue.file import catalogue_from
from app.catalogue.load import load_catalogue
from app.catalogue.models import Approval, Definition, Thing
from app.catalogue.queries import every, named, whole
from app.people.models import Certificate, GivenSecret, Person, PersonDuty, Secret
from app.people.people import add_person
from app.people.terminals import enrol_terminal
from app.people.tokens import make_token
from benchmarks.race_scenes import Ask, Plant, Scene

_OVEN = {"name": "Bake 1", "area": "ovens", "operations": ["cure"], "shelves": ["1"], "sensors": [{"name": "B1-1", "shelf": "1"}]}


def certified(plant: Plant, _chance: random.Random) -> Scene:
    """Someone whose duties, certificates and secrets are changed by several at once."""
    name = plant.new("trainee ")
    one = plant.factory.do("add_person", lambda s, by: add_person(s, by, name, ["operate"]).id)
    badge = plant.code("person", one)
    change = f"/people/{badge}/change"
    give = lambda *certificates, **more: {"certificates": [{"name": each} for each in certificates]} | more  # noqa: E731
    return Scene([
        *[Ask("both", change, give("bond", "look", duties=["operate", "quality"]))] * 2,
        Ask("other both", change, give("bond", duties=["lead"])),
        Ask("until", change, {"certificates": [{"name": "bond", "valid_until": "2030-01-01T00:00:00Z"}]}),
        Ask("none", change, give(duties=[])),
        *[Ask("password", f"/people/{badge}/secret", {"kind": "password", "secret": "nine wide boats"})] * 2,
        Ask("other password", f"/people/{badge}/secret", {"kind": "password", "secret": "ten green doors"}),
        Ask("pin", f"/people/{badge}/secret", {"kind": "pin", "secret": "4711"}),
        Ask("end sessions", f"/people/{badge}/end_sessions", {}),
        Ask("by catalogue", "/catalogue", {"people": [{"name": name, "badge": badge, "duties": ["engineer"], "certificates": [{"name": "cut"}]}]}),
    ], wrong=partial(_wrong_person, one))  # fmt: skip


def _wrong_person(person: int, session: Session) -> Iterator[str]:
    """One of those that were sent, whole, whichever came last of each kind; and never two of a thing that is one."""
    duties = frozenset(session.scalars(select(PersonDuty.duty).where(PersonDuty.person == person, PersonDuty.closed_e.is_(None))))
    if duties not in {frozenset(one) for one in ((), ("operate",), ("operate", "quality"), ("lead",), ("engineer",))}:
        yield f"person {person} has duties that nobody gave together: {sorted(duties)}"
    held = sorted(session.scalars(select(Certificate.name).where(Certificate.person == person, Certificate.closed_e.is_(None))))
    if held not in ([], ["bond"], ["bond", "look"], ["cut"]):
        yield f"person {person} has certificates that nobody gave together: {held}"
    in_force = (Secret.person == person, Secret.closed_e.is_(None))
    for kind in session.scalars(select(Secret.kind).where(*in_force).group_by(Secret.kind).having(func.count() > 1)):
        yield f"person {person} has two of {kind} in force"
    if list(session.scalars(select(Secret.id).where(*in_force, Secret.id.not_in(select(GivenSecret.secret))))):
        yield f"person {person} has a secret in force that another gave and that is not marked so"


def newcomers(plant: Plant, _chance: random.Random) -> Scene:
    """The same people come by several ways."""
    name, serial = plant.new("newcomer "), plant.new("-9")
    badge = codes.make("person", f"{serial:0<5}")
    entry = {"name": name, "badge": badge, "duties": ["operate"]}
    return Scene([
        *[Ask("add", "/people", entry, once="badge")] * 3,
        Ask("add another", "/people", entry | {"name": f"{name} b", "duties": ["lead"]}, once="badge"),
        *[Ask("load", "/catalogue", {"people": [entry]})] * 2,
        Ask("load with another", "/catalogue", {"people": [entry, {"name": f"{name} c", "duties": ["quality"]}]}),
        Ask("load without badge", "/catalogue", {"people": [{"name": f"{name} c", "duties": ["quality"]}]}),
    ], wrong=partial(_twice_by_name, f"{name} c"))  # fmt: skip


def _twice_by_name(name: str, session: Session) -> Iterator[str]:
    if (found := session.scalar(select(func.count()).select_from(Person).where(Person.name == name)) or 0) > 1:
        yield f"{name} of the catalogue is here {found} times"


def machines(plant: Plant, _chance: random.Random) -> Scene:
    """A terminal and a token that several end at once, while others are made."""
    kept: list[int] = []

    def make(session: Session, by: Any) -> int:
        kept[:] = [make_token(session, by, "scanner", ("operate",))[0].id]
        return enrol_terminal(session, by, "bonding")[0].id

    terminal = plant.code("terminal", plant.factory.do("enrol_terminal", make))
    return Scene([
        *[Ask("revoke", f"/tokens/{kept[0]}/revoke", {}, once="revoked")] * 3,
        *[Ask("retire", f"/terminals/{terminal}/retire", {}, once="retired")] * 3,
        Ask("make token", "/tokens", {"name": "scanner", "duties": ["operate"]}),
        Ask("enrol", "/terminals", {"area": "bonding"}),
        Ask("enrol elsewhere", "/terminals", {"area": "sawing"}),
    ])  # fmt: skip


def revisions(plant: Plant, _chance: random.Random) -> Scene:
    """Two drafts beside the revision in force, and a lot that goes on by it."""
    first, second = plant.new("r"), plant.new("r")
    route = _own_product(plant)
    draft = lambda revision, **more: route | {"revision": revision} | more  # noqa: E731
    load = lambda *routes: {"routes": list(routes)}  # noqa: E731
    _load(plant, load(draft(first), draft(second), draft(begun := plant.new("r"))))
    plant.factory.do("approve_route", lambda s, by: approve_route(s, by, "P9", begun).name)
    lot = plant.factory.lot(plant.factory.panels(1), product="P9")
    with plant.house.reading() as session:
        seen = named(session, "route", f"P9 rev {first}").definition
    sign = lambda revision, **more: plant.signed(product="P9", revision=revision, **more)  # noqa: E731
    changed = [route["steps"][0] | {"name": "look well"}, *route["steps"][1:]]
    return Scene([
        *[Ask("approve", "/routes/approve", sign(first), once="first")] * 2,
        Ask("approve as seen", "/routes/approve", sign(first, seen=seen), once="first"),
        *[Ask("approve other", "/routes/approve", sign(second), once="second")] * 2,
        Ask("retire", "/routes/retire", sign(first), once="retired"),
        Ask("retire other", "/routes/retire", sign(second), once="retired other"),
        Ask("change draft", "/catalogue", load(draft(first, steps=changed))),
        Ask("change other draft", "/catalogue", load(draft(second, steps=changed))),
        *[Ask("new draft", "/catalogue", load(draft(f"{first}x")))] * 2,
        *[Ask("new station", "/catalogue", {"stations": [_OVEN | {"name": f"Bake {first}"}]})] * 3,
        Ask("new station otherwise", "/catalogue", {"stations": [_OVEN | {"name": f"Bake {first}", "area": "attic"}]}),
        *[Ask("order", "/catalogue", {"orders": [{"number": f"9{first}", "customer": "Arden Lights", "product": "P9", "units": 30}]})] * 2,
        *[Ask("move lot", f"/lots/{lot.code}/revision", plant.signed(revision=first))] * 2,
        Ask("move lot on", f"/lots/{lot.code}/revision", plant.signed(revision=second)),
        Ask("start lot", "/lots", {"product": "P9", "panels": [plant.factory.panels(1)[0].code]}),
    ], wrong=_wrong_catalogue)  # fmt: skip


def _own_product(plant: Plant) -> dict[str, Any]:
    """P1 once more as P9, whose revisions may be retired; its route."""
    with plant.house.reading() as session:
        product, route = (next(one.body for one in every(session, kind) if one.name.startswith("P1")) for kind in ("product", "route"))
    own = {"part_number": "P9", "seconds_part_number": "P9-S"} if product.seconds_part_number else {"part_number": "P9"}
    _load(plant, {"products": [product.model_dump(mode="json", exclude_none=True) | own]})
    return route.model_dump(mode="json", exclude_none=True) | {"product": "P9"}


def _load(plant: Plant, catalogue: dict[str, Any]) -> None:
    with plant.house.reading() as session:
        read = catalogue_from(catalogue, whole(session))
    plant.factory.do("load_catalogue", lambda s, by: len(load_catalogue(s, by, read)))


def _wrong_catalogue(session: Session) -> Iterator[str]:
    for kind, name in session.execute(select(Thing.kind, Thing.name).group_by(Thing.kind, Thing.name).having(func.count() > 1)):
        yield f"the {kind} {name} is in the catalogue twice"
    for thing in session.scalars(select(Definition.thing).where(Definition.closed_e.is_(None)).group_by(Definition.thing).having(func.count() > 1)):
        yield f"thing {thing} has two definitions in force"
    active = select(Approval.route).where(Approval.closed_e.is_(None))
    products = [name.rpartition(" rev ")[0] for name in session.scalars(select(Thing.name).where(Thing.id.in_(active)))]
    if len(products) != len(set(products)):
        yield f"a product has two active revisions: {sorted(products)}"
    replaced = select(Definition.id).where(Definition.closed_e.is_not(None))
    for route in session.scalars(select(Approval.route).where(Approval.closed_e.is_(None), Approval.definition.in_(replaced))):
        yield f"route {route} is active by a definition that is not the one in force"


def on_paper(plant: Plant, _chance: random.Random) -> Scene:
    """What the paper says is entered by two leads, while the floor goes on."""
    panels = plant.factory.panels(2)
    lot = plant.factory.lot(panels)
    glue, at = plant.factory.batch("GLUE"), (datetime.now(UTC) - timedelta(minutes=1)).isoformat()
    line = lambda verb, thing, station: {"happened_at": at, "verb": verb, "thing": thing, "station": plant.codes[station]}  # noqa: E731
    return Scene([
        *[Ask("paper start", "/back_entry", line("start", lot.code, "Attach"))] * 2,  # a fact is recorded, and held where it was no more possible
        Ask("start", "/runs", {"station": plant.codes["Attach"], "things": [lot.code]}, once="start"),
        *[Ask("paper mount", "/back_entry", line("mount", glue.code, "Attach"))] * 2,
        Ask("mount", f"/stations/{plant.codes['Attach']}/mount", {"item": glue.code}),
        *[Ask("paper finish", "/back_entry", line("finish", lot.code, "Attach"), once="end")] * 2,
        Ask("paper change over", "/back_entry", line("change over", glue.code, "Attach")),
        Ask("split", f"/lots/{lot.code}/split", {"panels": [panels[0].code]}, frees=True),
        Ask("hold lot", "/holds", {"subject": lot.code, "reason": "look"}),
    ])  # fmt: skip


SCENES: tuple[Callable[[Plant, random.Random], Scene], ...] = (certified, newcomers, machines, revisions, on_paper)
