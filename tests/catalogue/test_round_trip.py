"""What is dumped loads back to the same, whatever a catalogue holds."""

from collections.abc import Sequence
from datetime import UTC, datetime

from cast import load_small_catalogue
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app import codes
from app.catalogue import definitions as d
from app.catalogue.changes import changes
from app.catalogue.example import EXAMPLE
from app.catalogue.file import as_toml, catalogue_from, dump, read_catalogue
from app.catalogue.load import load_catalogue, what_would_change
from app.catalogue.queries import whole
from app.db import House
from app.journal.act import SYSTEM, act
from app.migrate import upgrade

names = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Zs", "Cs")), min_size=1, max_size=12).map(str.strip).filter(bool)
words = st.text(st.characters(codec="utf-8"), max_size=30)
amounts = st.floats(0.001, 1e6)
times = st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC))


def maybe(what: st.SearchStrategy) -> st.SearchStrategy:  # type: ignore[type-arg]
    return st.none() | what


@st.composite
def catalogues(draw: st.DrawFn) -> d.Catalogue:
    """Lawful catalogues of every kind of thing."""
    few = draw(st.lists(names, min_size=12, max_size=12, unique=True))
    wafer, wire, glue, recipe, table, part, seconds, shelf, customer, order, record, rank = few
    red = draw(names)
    parts = (
        d.Part(number=wafer, kind="wafer", role=red, passing_bins=tuple(draw(st.lists(words, max_size=3))), description=draw(words)),
        d.Part(number=wire, kind="wire", shelf_life_days=draw(maybe(st.integers(1, 2000)))),
        d.Part(number=glue, kind="adhesive", pot_life_minutes=draw(maybe(st.integers(1, 5000))), activation_energy_kj_mol=draw(maybe(amounts))),
    )
    kinetics = d.Kinetics(a1_per_s=draw(amounts), e1_kj_mol=draw(amounts), model=draw(st.sampled_from(["nth order", "kamal"])))
    cure = d.Recipe(
        name=recipe, set_point_c=170, band_low_c=170 - draw(amounts), band_high_c=170 + draw(amounts), soak_minutes=draw(amounts),
        kinetics=draw(maybe(st.just(kinetics))), ramp_up_max_c_per_min=draw(maybe(amounts)),
    )  # fmt: skip
    bins = (
        d.BinEntry(
            name="A", grade="prime", ranks=(d.Rank(column=rank, low=0, high=draw(amounts)),),
            polygons=(d.Polygon(x="x", y="y", points=((0, 0), (draw(amounts), 0), (0, draw(amounts)))),),
        ),
        d.BinEntry(name="R", grade="reject", fail_codes=tuple(draw(st.lists(words, max_size=3, unique=True)))),
    )  # fmt: skip
    product = d.Product(part_number=part, rows=20, columns=20, roles=(d.Role(role=red, part=wafer),), bin_table=table, seconds_part_number=seconds)
    steps = (
        d.Step(key="attach", name=draw(names), operation="die attach", role=red, needs=(d.Need(kind="adhesive", part=glue),), judged="placements"),
        d.Step(key="cure", name="cure", operation="cure", recipe=recipe, judged="cure", instruction=draw(words), caution=draw(words)),
        d.Step(key="bond", name="bond", operation="wire bond", needs=(d.Need(kind="wire", by_order=True),), records=(d.Record(name=record, low=1),)),
        d.Step(key="look", name="look", operation="inspect", barrier=True, count=draw(st.sampled_from(["none", "cells"]))),
        d.Step(key="cut", name="cut", operation="singulate"),
    )
    window = d.Window(from_step="cure", to_step="bond", max_minutes=draw(amounts), repeats=draw(st.integers(0, 5)))
    oven = d.Station(
        name=draw(names), area=draw(names), operations=("cure",), shelves=(shelf,), shelf_panels=draw(maybe(st.integers(1, 500))),
        sensors=(d.Sensor(name="T1", shelf=shelf, since=draw(maybe(times))),), calibration_due=draw(maybe(times)),
    )  # fmt: skip
    person = d.PersonEntry(
        name=draw(names), badge=codes.make("person", f"-{draw(st.integers(1, 999)):03d}X"), duties=tuple(sorted(draw(_duties))),
        certificates=(d.CertificateOfPerson(name=draw(names), valid_until=draw(maybe(times))),),
    )  # fmt: skip
    day = d.Shift(name="day", begins=datetime.min.time(), ends=datetime.max.time())
    asked = (d.OrderMaterial(kind="wire", part=wire),)
    return d.Catalogue(
        site=d.Site(name=draw(names), zone="Asia/Tokyo", day_start=draw(st.times()), shifts=(day,)),
        parts=parts, recipes=(cure,), bin_tables=(d.BinTableBody(name=table, unbinned="R", failed="R", bins=bins),), products=(product,),
        routes=(d.Route(product=part, revision=draw(names), steps=steps, windows=(window,)),), stations=(oven,), people=(person,),
        reasons=(d.ReasonEntry(name=draw(names), of=("mark", "risk")),),
        customers=(d.Customer(name=customer, part_numbers={part: draw(words)}, supplier_code=draw(maybe(words))),),
        orders=(d.Order(number=order, customer=customer, product=part, units=7, due=draw(maybe(st.dates())), materials=asked),),
    )  # fmt: skip


few = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
_duties = st.lists(st.sampled_from(["operate", "lead", "quality", "engineer", "administer"]), unique=True)


@few
@given(catalogues())
def test_any_catalogue_is_the_same_after_toml_and_after_json(catalogue: d.Catalogue) -> None:
    assert read_catalogue(as_toml(catalogue)) == catalogue
    assert catalogue_from(catalogue.model_dump(mode="json")) == catalogue


def test_signs_that_end_lines_elsewhere_stay_inside_their_text() -> None:
    """Next line, line separator and form feed end a line for some readers, not in TOML."""
    part = d.Part(number="W", kind="wafer", role="red", passing_bins=("\x85", "a\u2028b", "[\n 1,\n]", "\x0c"))
    assert read_catalogue(as_toml(d.Catalogue(parts=(part,)))).parts == (part,)


@few
@given(catalogues(), catalogues())
def test_two_definitions_differ_in_nothing_only_when_they_are_equal(one: d.Catalogue, other: d.Catalogue) -> None:
    pairs: Sequence[tuple[d.Body, d.Body]] = [(one.routes[0], other.routes[0]), (one.stations[0], other.stations[0]), (one.parts[2], other.parts[2])]
    for a, b in pairs:
        assert changes(a, a) == ()
        assert (changes(a, b) == ()) == (a == b)


def test_the_dump_of_an_installation_loads_into_another_and_then_changes_nothing(house: House, empty_house: House) -> None:
    upgrade(empty_house)
    example = read_catalogue(EXAMPLE)
    _load(house, example)
    with house.reading() as session:
        text = dump(session)
        assert what_would_change(session, read_catalogue(text)) == ()
    _load(empty_house, read_catalogue(text))
    with house.reading() as here, empty_house.reading() as there:
        assert whole(here) == whole(there)
        assert dump(there) == text
        assert what_would_change(there, example) == ()


def test_the_small_catalogue_comes_back_as_it_was_read(house: House) -> None:
    load_small_catalogue(house)
    with house.reading() as session:
        again = read_catalogue(dump(session))
        assert again == whole(session)


def _load(house: House, catalogue: d.Catalogue) -> None:
    act(house, SYSTEM, "load_catalogue", {}, lambda session, by: {"n": len(load_catalogue(session, by, catalogue))})
