"""One batch on two places of a station: two spools, or two syringes, of the same delivery."""

from app.db import House
from tests.machines.plant import plant


def test_a_batch_on_two_places_stays_on_one_when_the_other_is_changed_over(house: House) -> None:
    with plant(house) as do:
        first, second, at = do.batch("GLUE"), do.batch("GLUE"), do.at["Attach"]
        for place in ("left", "right"):
            on = do.post(f"/stations/{at}/mount", item=first, place=place)["loaded"]
        assert [(one["place"], one["item"]) for one in on] == [("left", first), ("right", first)]
        do.mount("Attach", do.wafer("RD-1"))
        panels = do.panels(2)
        run = do.start("Attach", do.lot(panels))
        do.post(f"/stations/{at}/change_over", item=second, place="right", panels_done=[], panels_in_work=[])
        do.post(f"/runs/{run}/finish")
        told = {one["code"]: (one["least"], one["greatest"]) for one in do.get(f"/trace/{panels[0]}")["batches"]}
        units = do.get(f"/panels/{panels[0]}")["good"]
        assert (told[first], told[second]) == ((0, units), (0, units))
        assert do.findings() == []


def test_what_is_on_two_places_comes_off_one_or_both(house: House) -> None:
    with plant(house) as do:
        glue, at = do.batch("GLUE"), do.at["Attach"]

        def on() -> list[str]:
            return [one["place"] for one in do.get(f"/stations/{at}")["loaded"]]

        for place in ("left", "right", "left"):
            do.post(f"/stations/{at}/mount", item=glue, place=place)
        do.post(f"/stations/{at}/unmount", item=glue, place="left")
        assert on() == ["right"]
        assert do.post(f"/stations/{at}/unmount", 409, item=glue, place="left")["kind"] == "not_here"
        do.post(f"/stations/{at}/mount", item=glue, place="left")
        do.post(f"/stations/{at}/unmount", item=glue)
        assert on() == []
