"""A pack that came back says why, wherever its return is told."""

from people.signing_in import person, sign_in

from app.db import House
from tests.machines.plant import plant
from tests.machines.test_diversions import ORDERED, packs_of

WHY = "the rest of the order was cancelled"


def test_why_a_pack_came_back_stands_where_its_return_is_told(house: House) -> None:
    with plant(house, *ORDERED) as do:
        whole, part, silent = packs_of(do, "OWN-1", [8, 8, 4])
        do.post("/shipments", packs=[whole, part, silent], customer="Arden Lights")
        do.post(f"/packs/{whole}/take_back", reason=WHY)
        piece = do.post(f"/packs/{part}/take_back", units=3, reason=WHY)["pack"]
        do.post(f"/packs/{silent}/take_back")
        told = {pack: do.get(f"/things/{pack}/moves")["moves"][-1] for pack in (whole, piece, silent)}
        assert {pack: (move["kind"], move["why_back"]) for pack, move in told.items()} == {
            whole: ("returned", WHY), piece: ("returned", WHY), silent: ("returned", ""),
        }  # fmt: skip
        assert [one["why_back"] for one in do.get(f"/record/{whole}")["pack"]["moves"]] == ["", WHY]

        sign_in(do.client, person(house, "Mia", "quality"))
        for way in ("/packs", "/record", "/things"):
            pages = [do.client.get(f"{way}/{pack}{'/moves' * (way == '/things')}").text for pack in (whole, piece, silent)]
            assert [f"because: {WHY}" in page for page in pages] == [True, True, False], way
            assert "because:" not in pages[2]
