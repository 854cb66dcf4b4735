"""A hold on a container stops all that is in it at that moment."""

from app.db import House
from app.floor.containers import add_container, put_item
from app.floor.samples import sample_cells
from app.holds.place import place_hold
from app.holds.stopped import stops_on
from app.naming.resolve import Named, code_of
from tests.small_factory import Factory


def test_every_sample_in_a_box_is_held(house: House) -> None:
    factory = Factory(house).load()
    panel = factory.panels(1)[0]
    factory.lot([panel])
    take = [factory.do("take_sample", lambda s, by, n=n: sample_cells(s, by, panel.id, [(1, n)], "look", kept=True).item) for n in (1, 2, 3)]
    box = factory.do("add_container", lambda s, by: add_container(s, by, "box", "Box 1").id)
    for sample in take[:2]:
        factory.do("fill_container", lambda s, by, sample=sample: put_item(s, by, box, sample))
    with house.reading() as session:
        named = Named("container", box, code_of(session, "container", box))
    factory.do("place_hold", lambda s, by: place_hold(s, by, named, "cracked").id)
    with house.reading() as session:
        assert set(stops_on(session, take)) == set(take[:2])
