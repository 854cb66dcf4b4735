"""Time windows past the step where units leave their panels: of lots that were poured together, and of packs; and those to a step's end."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from app.catalogue.definitions import Body, Product, Route, Station, Step, Window
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="bake", name="bake", operation="plasma clean"), Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"), Step(key="wash", name="wash", operation="clean"),
    Step(key="test", name="test", operation="test"), Step(key="tape", name="tape", operation="tape"),
    Step(key="dry", name="dry", operation="dry pack"),
)  # fmt: skip


UP_TO_QUALITY = (
    "put it on the hold rack and ask quality what becomes of it. "
    "If they let it go on, a lead enters what was done as a fact, which is held until they release it."
)


def ago(minutes: float) -> dict[str, str]:
    return {"happened_at": (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat()}


def watched(*windows: Window) -> tuple[tuple[str, Body], ...]:
    product = Product(part_number="WIN", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=40)
    return (
        ("product", product), ("station", Station(name="Washer", area="hall", operations=("clean",))),
        ("route", Route(product="WIN", revision="1", steps=STEPS, windows=windows)),
    )  # fmt: skip


def done(do: Plant, station: str, thing: str, minutes: float, end: str = "finish", **told: Any) -> Any:
    """A run that ended so many minutes ago, five after it began."""
    run = do.start(station, thing, **ago(minutes + 5))
    return do.post(f"/runs/{run}/{end}", **told, **ago(minutes))


def cut(do: Plant, minutes: float) -> str:
    """A loose lot that was singulated then, of one panel, which was baked twenty minutes before."""
    lot = do.lot(do.panels(1), product="WIN")
    done(do, "Plasma", lot, minutes + 20)
    done(do, "Scope", lot, minutes + 10)
    return str(done(do, "Saw", lot, minutes, "singulate")["lot"])


def washed(do: Plant, minutes: float) -> str:
    lot = cut(do, minutes + 10)
    done(do, "Washer", lot, minutes)
    return lot


def binned(do: Plant, minutes: float) -> str:
    (one,) = done(do, "Tester", washed(do, minutes + 10), minutes, "bins", bins=[{"bin": "B1", "units": 20}])["bins"]
    return str(one["lot"])


def taped(do: Plant, lots: list[str], minutes: float, expect: int = 200) -> Any:
    parts = [{"lot": lot, "units": 20} for lot in lots]
    return do.post("/packs", expect, station=do.at["Taper"], parts=parts, line_clear=True, short_reason="no more", **ago(minutes))


def why(do: Plant, thing: str) -> list[str]:
    return [hold["reason"].partition(" for ")[0] for hold in do.get(f"/stops/{thing}")["holds"]]


def refused(do: Plant, station: str, thing: str) -> str:
    answer = do.post("/runs", 409, station=do.at[station], things=[thing], line_clear=True)
    return f"{answer['kind']}: {answer['reasons'][0]['why']} {answer['reasons'][0]['now']}"


@pytest.mark.parametrize("late_first", [True, False])
def test_of_lots_poured_together_the_one_that_waits_longest_decides(house: House, *, late_first: bool) -> None:
    with plant(house, *watched(Window(from_step="wash", to_step="test", max_minutes=60, min_minutes=20))) as do:
        lots = [washed(do, minutes) for minutes in ((200, 30) if late_first else (30, 200))]
        poured = do.post(f"/lots/{lots[0]}/merge", others=lots[1:], **ago(25))["lot"]
        assert refused(do, "Tester", poured) == f"window_over: The time window after wash has run out for {poured}. Repeat wash first."
        (row,) = do.get("/board")["windows"]
        assert row["lot"] == poured
        assert datetime.fromisoformat(row["ends_at"]) == pytest.approx(datetime.now(UTC) - timedelta(minutes=140), abs=timedelta(minutes=2))
        done(do, "Washer", poured, 10)  # the one repeat that is left, however many were poured together
        assert refused(do, "Tester", poured).startswith(f"window_early: {poured} must wait after wash until ")


def test_of_lots_poured_together_the_one_that_came_last_has_waited_least(house: House) -> None:
    with plant(house, *watched(Window(from_step="wash", to_step="test", min_minutes=60))) as do:
        late, early = washed(do, 30), washed(do, 200)
        poured = do.post(f"/lots/{late}/merge", others=[early], **ago(20))["lot"]
        assert refused(do, "Tester", poured).startswith("window_early: ")


@pytest.mark.parametrize(("first", "second", "at", "lot"), [("bake", "test", "Tester", washed), ("cut", "wash", "Washer", cut)])
def test_a_window_leads_from_panels_to_their_loose_units(house: House, first: str, second: str, at: str, lot: Any) -> None:
    windows = Window(from_step=first, to_step=second, max_minutes=60), Window(from_step="bake", to_step="look", max_minutes=15)
    with plant(house, *watched(*windows)) as do:
        there = lot(do, 90)
        again = f"{first} can't be done to it again: {UP_TO_QUALITY}"
        assert refused(do, at, there) == f"window_over: The time window after {first} has run out for {there}. {again}"
        assert [row["to_step"] for row in do.get("/board")["windows"]] == [second]  # nobody waits for a look at what was cut
        assert refused(do, "Saw", there).startswith("not_next_step")
        assert do.findings() == []


def test_what_may_not_be_repeated_goes_on_as_quality_was_said_to_let_it(house: House) -> None:
    with plant(house, *watched(Window(from_step="bake", to_step="look", max_minutes=60, repeats=0))) as do:
        lot = do.lot(do.panels(1), product="WIN")
        done(do, "Plasma", lot, 90)
        assert refused(do, "Scope", lot).endswith(f"No repeat is left: {UP_TO_QUALITY}")
        assert refused(do, "Plasma", lot) == f"repeats_used: bake was repeated as often as its time window allows. No repeat is left: {UP_TO_QUALITY}"
        run = do.start("Scope", lot, fact=True, **ago(20))
        do.post(f"/runs/{run}/finish", fact=True, **ago(15))
        assert refused(do, "Saw", lot).startswith("held")
        (hold,) = do.get(f"/stops/{lot}")["holds"]
        do.post(f"/holds/{hold['hold']}/release", disposition="concession", words="it waited clean", **do.signed)
        do.start("Saw", lot)


def test_a_window_leads_from_the_taper_to_the_bag(house: House) -> None:
    windows = (Window(from_step="tape", to_step="dry", max_minutes=60), Window(from_step="bake", to_step="dry", max_minutes=10_000))
    with plant(house, *watched(*windows)) as do:
        pack = taped(do, [binned(do, 100)], 90)["pack"]
        moved = do.post(f"/packs/{pack}/re_reel", **ago(30))["pack"]
        answer = do.post(f"/packs/{moved}/dry_pack", 409, station=do.at["Bagger"])
        assert answer["reasons"][0]["why"] == f"The time window after tape has run out for {moved}."
        assert do.post(f"/packs/{moved}/dry_pack", station=do.at["Bagger"], **ago(31))["dry_packed"]
        part = do.post(f"/packs/{moved}/cut", units=5)["pack"]
        assert do.post(f"/packs/{part}/dry_pack", station=do.at["Bagger"])["dry_packed"]  # out of an opened bag


def test_the_taper_asks_of_all_that_was_poured_together(house: House) -> None:
    with plant(house, *watched(Window(from_step="test", to_step="tape", max_minutes=60))) as do:
        lots = [binned(do, 200), binned(do, 30)]
        poured = do.post(f"/lots/{lots[0]}/merge", others=lots[1:], **ago(20))["lot"]
        assert taped(do, [poured], 0, 409)["kind"] == "window_over"


_OVER, _EARLY = "The time window to the end of this step had run out", "The shortest time to its end had not passed"
_LIMITS = [({"max_minutes": 60}, _OVER), ({"min_minutes": 1000}, _EARLY)]


@pytest.mark.parametrize(("limit", "words"), _LIMITS)
def test_of_an_interrupted_run_what_it_did_out_of_time_is_held(house: House, limit: dict[str, float], words: str) -> None:
    with plant(house, *watched(Window.model_validate({"from_step": "bake", "to_step": "look", "until": "end", **limit}))) as do:
        panels = do.panels(2)
        lot = do.lot(panels, product="WIN")
        done(do, "Plasma", lot, 400)
        run = do.start("Scope", lot, **ago(390))
        do.post(f"/runs/{run}/interrupt", panels_done=panels[:1], **ago(300))
        assert [why(do, panel) for panel in panels] == [[words], []]


@pytest.mark.parametrize(("limit", "words"), _LIMITS)
@pytest.mark.parametrize(("first", "second"), [("wash", "test"), ("test", "tape")])
def test_loose_units_that_end_a_step_out_of_time_are_held(house: House, first: str, second: str, limit: dict[str, float], words: str) -> None:
    with plant(house, *watched(Window.model_validate({"from_step": first, "to_step": second, "until": "end", **limit}))) as do:
        (bin_,) = done(do, "Tester", washed(do, 300), 200, "bins", bins=[{"bin": "B1", "units": 20}])["bins"]
        there = bin_["lot"] if second == "test" else taped(do, [bin_["lot"]], 20)["pack"]
        assert why(do, there) == [words]
