"""A change-over begins a new line, where something changed."""

from sqlalchemy import select

from app.db import House
from app.floor.change_overs import change_over
from app.floor.ends import Said
from app.ledger.runs import Line
from app.naming.resolve import Named
from tests.machines.plant import plant
from tests.small_factory import Factory


def changed(factory: Factory, item: Named) -> int:
    said = Said(None, None)
    return factory.do("change_over", lambda s, by: len(change_over(s, by, factory.things["Attach"], item, None, said)))


def test_what_is_on_the_place_already_changes_nothing(house: House) -> None:
    factory = Factory(house).load()
    one, two = factory.wafer(), factory.wafer()
    factory.mount("Attach", factory.batch("GLUE"), one)
    run = factory.start("Attach", factory.lot(factory.panels(2)))
    assert (changed(factory, one), changed(factory, two), changed(factory, two)) == (0, 1, 0)
    with house.reading() as session:
        assert len(session.scalars(select(Line.id).where(Line.run == run)).all()) == 2


def test_a_run_says_of_each_material_which_panels_it_surely_did(house: House) -> None:
    """The same as their traces: of the one that was in work at the change-over, and of those done at a second one, either may be."""
    with plant(house) as do:
        do.mount("Attach", do.batch("GLUE"))
        first, second, third = (do.wafer(f"RD-{n}") for n in range(3))
        do.mount("Attach", first)
        panels = do.panels(4)
        run = do.start("Attach", do.lot(panels))
        do.post(f"/stations/{do.at['Attach']}/change_over", item=second, panels_done=panels[:1], panels_in_work=panels[1:2])
        do.post(f"/stations/{do.at['Attach']}/change_over", item=third, panels_done=panels[1:3], panels_in_work=[])

        def told() -> list[tuple[list[str], ...]]:
            return [tuple(line[f"panels_{what}"] for what in ("done", "perhaps", "surely")) for line in do.get(f"/runs/{run}")["lines"]]

        parted = [(panels[:1], panels[1:2], panels[:1]), (panels[1:3], [], panels[2:3])]
        assert told() == [*parted, ([], [], [])], "the run goes on with the last"
        do.post(f"/runs/{run}/finish")
        assert told() == [*parted, (panels[3:], [], panels[3:])]
        assert [do.materials(panel) & {first, second, third} for panel in panels] == [{first}, {first, second}, {second}, {third}]
        plain = do.run("Attach", do.lot(do.panels(1)))
        assert do.get(f"/runs/{plain}")["lines"][0]["panels_done"] == [], "nothing parts it: all of its panels are done"
