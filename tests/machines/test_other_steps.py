"""What is brought to a station that it doesn't come to yet is sent on; nobody is asked to mount there what its later step needs."""

from app.db import House
from tests.machines.plant import plant


def test_what_comes_to_another_step_is_not_asked_for_material_and_a_fact_is_held_for_all(house: House) -> None:
    with plant(house) as do:
        lot = do.lot(do.panels(1))
        body = {"station": do.at["Bond 1"], "things": [lot]}
        refused = do.post("/runs", 409, **body)
        assert refused["kinds"] == ["not_next_step"] and "No wire" not in str(refused)
        do.post("/runs", fact=True, **body)
        (hold,) = do.get("/holds")["holds"]
        assert "not to bond" in hold["reason"] and "No wire is on Bond 1" in hold["reason"]
