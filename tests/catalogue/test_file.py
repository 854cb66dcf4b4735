"""The file's errors name the key's path and its line. In each case the line at fault is the one that ends in "# here", or else the one that was changed."""
# ruff: noqa: E501 (a case reads best as old text, new text, path, why)

from pathlib import Path

import pytest

from app.catalogue.definitions import Catalogue
from app.catalogue.example import EXAMPLE
from app.catalogue.file import as_toml, catalogue_from, read_catalogue
from app.errors import BadInput, Reason

SMALL = (Path(__file__).parent.parent / "small_catalogue.toml").read_text()


def reasons_for(text: str, known: Catalogue | None = None) -> tuple[Reason, ...]:
    with pytest.raises(BadInput) as refused:
        read_catalogue(text, known)
    return refused.value.reasons


def changed(old: str, new: str, text: str = SMALL) -> str:
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def line_of(text: str, mark: str = "# here") -> int:
    found = [n for n, line in enumerate(text.splitlines(), 1) if line.rstrip().endswith(mark)]
    assert len(found) == 1
    return found[0]


# old text, new text with the mark, path, a word of why
SHAPE = {
    "unknown key": ('rows = 4\ncolumns = 5\nbin_table', 'rows = 4\ncolums = 5 # here\ncolumns = 5\nbin_table', "products[0].colums", "no key colums"),
    "unknown table": ("[site]", "[sight] # here\nname = 1\n[site]", "sight", "no key sight"),
    "unknown key of an inline table": (
        '{ name = "T1", shelf = "top" }, { name = "T2", shelf = "bottom" }]',
        '\n{ name = "T1", shelf = "top" },\n{ name = "T2", shelf = "bottom", offset = 1 }, # here\n]', "stations[1].sensors[1].offset", "no key offset",
    ),
    "missing key": ('[[recipes]]\nname = "C170"\nset_point_c = 170', '[[recipes]] # here\nname = "C170"', "recipes[0].set_point_c", "is missing"),
    "text for a number": ("soak_minutes = 110", 'soak_minutes = "long" # here', "recipes[0].soak_minutes", "'long' does not fit"),
    "number for text": ('number = "DRV"', "number = 7 # here", "parts[0].number", "7 does not fit"),
    "number out of range": ("units_per_reel = 30", "units_per_reel = 0 # here", "products[0].units_per_reel", "greater than or equal to 1"),
    "not a number": ("soak_minutes = 110", "soak_minutes = nan # here", "recipes[0].soak_minutes", "does not fit"),
    "empty name": ('name = "Small hall"', 'name = " " # here', "site.name", "at least 1 character"),
    "control character": ('name = "Small hall"', 'name = "Small\\u0007hall" # here', "site.name", "does not fit"),
    "not one of the words": ('kind = "adhesive"\npot', 'kind = "glue" # here\npot', "parts[2].kind", "not one of the words"),
    "time without zone": (
        'operations = ["test"]', 'operations = ["test"]\ncalibration_due = 2027-01-31T00:00:00 # here', "stations[6].calibration_due", "not a time with a zone",
    ),
    "time of day with zone": ('zone = "Europe/Vienna"', 'zone = "Europe/Vienna"\nday_start = "06:00:00+01:00" # here', "site.day_start", "no zone"),
    "a list for a table": ('[site]\nname = "Small hall"\nzone = "Europe/Vienna"', "site = [1] # here", "site", "is not a table"),
    "a table for a list": ('shelves = ["top", "bottom"]', "shelves = { top = 1 } # here", "stations[1].shelves", "is not a list"),
    "element of a list": ('duties = ["quality"]', 'duties = [\n"quality",\n"boss", # here\n]', "people[2].duties[1]", "not one of the words"),
    "country": ('zone = "Europe/Vienna"', 'zone = "Europe/Vienna"\ncountry = "Austria" # here', "site.country", "does not fit"),
}  # fmt: skip
MEANING = {
    "zone": ('zone = "Europe/Vienna"', 'zone = "Europe/Wien" # here', "site.zone", "not an IANA time zone"),
    "zone that is a folder": ('zone = "Europe/Vienna"', 'zone = "Europe" # here', "site.zone", "not an IANA time zone"),
    "zone with a way out": ('zone = "Europe/Vienna"', 'zone = "../etc" # here', "site.zone", "not an IANA time zone"),
    "name twice": ('number = "RED"', 'number = "DRV" # here', "parts[1].number", "appears twice"),
    "route twice": ("[[stations]]\nname = \"Attach 1\"", '[[routes]]\nproduct = "P1"\nrevision = "A" # here\nsteps = [{ key = "look", name = "look", operation = "inspect" }]\n[[stations]]\nname = "Attach 1"', "routes[1].revision", "appears twice"),
    "badge twice": ('badge = "E-LD01-B"', 'badge = "E-OP01-F" # here', "people[1].badge", "appears twice"),
    "person twice": ('name = "Lea Lead"\nbadge = "E-LD01-B"', 'name = "Ann"\n[[people]]\nname = "Ann" # here', "people[2].name", "appears twice"),
    "badge": ('badge = "E-LD01-B"', 'badge = "E-LD01-C" # here', "people[1].badge", "not the code of a person"),
    "badge of another kind": ('badge = "E-LD01-B"', 'badge = "S-0001-8" # here', "people[1].badge", "not the code of a person"),
    "wafer part without role": ('[[parts]]\nnumber = "RED"\nkind = "wafer"\nrole = "red"', '[[parts]] # here\nnumber = "RED"\nkind = "wafer"', "parts[1].role", "has no role"),
    "role of no wafer": ('kind = "adhesive"\npot', 'kind = "adhesive"\nrole = "red" # here\npot', "parts[2].role", "only a wafer part"),
    "rows alone": ('[[parts]]\nnumber = "FRAME"\nkind = "lead frame"\nrows = 4\ncolumns = 5', '[[parts]] # here\nnumber = "FRAME"\nkind = "lead frame"\nrows = 4', "parts[5].columns", "only one of"),
    "rows of tape": ('number = "TAPE"\n', 'number = "TAPE"\nrows = 4 # here\ncolumns = 5\n', "parts[6].rows", "only a lead frame"),
    "set point outside": ("set_point_c = 170", "set_point_c = 180 # here", "recipes[0].set_point_c", "not inside the band"),
    "soak": ("soak_minutes = 110", "soak_minutes = 110\nsoak_max_minutes = 90 # here", "recipes[0].soak_max_minutes", "shorter"),
    "equivalent without energy": (
        "soak_minutes = 110", "soak_minutes = 110\nmin_equivalent_minutes = 100 # here", "recipes[0].min_equivalent_minutes", "activation energy",
    ),
    "ramp": ("soak_minutes = 110", "soak_minutes = 110\nramp_up_max_c_per_min = 0 # here", "recipes[0].ramp_up_max_c_per_min", "It is 0"),
    "degrees of cure": (
        "soak_minutes = 110", "soak_minutes = 110\nkinetics = { a1_per_s = 1, e1_kj_mol = 60, least_degree = 0.9, greatest_degree = 0.8 } # here",
        "recipes[0].kinetics.greatest_degree", "below the least",
    ),
    "an order below 0": (
        "soak_minutes = 110", 'soak_minutes = 110\nkinetics = { model = "kamal", a1_per_s = 1, e1_kj_mol = 60, m = -0.5 } # here',
        "recipes[0].kinetics.m", "It is -0.5",
    ),
    "an energy below 0": (
        "soak_minutes = 110", "soak_minutes = 110\nkinetics = { a1_per_s = 1, e1_kj_mol = -60 } # here", "recipes[0].kinetics.e1_kj_mol", "It is -60",
    ),
    "a rate below 0": (
        "soak_minutes = 110", "soak_minutes = 110\nkinetics = { a1_per_s = -1, e1_kj_mol = 60 } # here", "recipes[0].kinetics.a1_per_s", "rate of -",
    ),
    "a rate of no cure": (
        "soak_minutes = 110", "soak_minutes = 110\nkinetics = { a1_per_s = 1e16, e1_kj_mol = 60 } # here", "recipes[0].kinetics.a1_per_s", "rate of 8.47e+08",
    ),
    "no such bin": ('unbinned = "R"', 'unbinned = "X" # here', "bin_tables[0].unbinned", "no bin X"),
    "failed is no reject": ('failed = "R"', 'failed = "B1" # here', "bin_tables[0].failed", "must be a reject"),
    "bin twice": ('{ name = "R", grade = "reject" },', '{ name = "R", grade = "reject" },\n{ name = "R", grade = "reject" }, # here', "bin_tables[0].bins[3].name", "appears twice"),
    "rank": ("low = 50, high = 100 }] },", "low = 50, high = 50 }] }, # here", "bin_tables[0].bins[1].ranks[0].high", "not above"),
    "crossing polygon": (
        '{ name = "R", grade = "reject" },',
        '{ name = "R", grade = "reject" },\n{ name = "C", grade = "prime", polygons = [{ x = "x", y = "y", points = [[0, 0], [1, 1], [1, 0], [0, 1]] }] }, # here',
        "bin_tables[0].bins[3].polygons[0].points", "Self-intersection",
    ),
    "flat polygon": (
        '{ name = "R", grade = "reject" },',
        '{ name = "R", grade = "reject" },\n{ name = "C", grade = "prime", polygons = [{ x = "x", y = "y", points = [[0, 0], [1, 1], [2, 2]] }] }, # here',
        "bin_tables[0].bins[3].polygons[0].points", "no area",
    ),
    "failure code twice": (
        '{ name = "R", grade = "reject" },', '{ name = "R", grade = "reject", fail_codes = ["F1", "F2", "F1"] }, # here', "bin_tables[0].bins[2].fail_codes[2]", "F1",
    ),
    "no such wafer part": ('{ role = "red", part = "RED" }]', '{ role = "red", part = "REDD" }] # here', "products[0].roles[1].part", "no part REDD"),
    "part is no wafer": ('{ role = "red", part = "RED" }]', '{ role = "red", part = "GLUE" }] # here', "products[0].roles[1].part", "not a wafer part"),
    "part of another role": ('{ role = "red", part = "RED" }]', '{ role = "red", part = "DRV" }] # here', "products[0].roles[1].part", "not red"),
    "no such bin table": ('bin_table = "BT"', 'bin_table = "BX" # here', "products[0].bin_table", "no bin table BX"),
    "seconds under the prime number": ('seconds_part_number = "P1-S"', 'seconds_part_number = "P1" # here', "products[0].seconds_part_number", "prime part number"),
    "no such product": ('product = "P1"\nrevision', 'product = "P9" # here\nrevision', "routes[0].product", "no product P9"),
    "step key twice": ('{ key = "tape", name = "tape",', '{ key = "test", name = "tape",', "routes[0].steps[7].key", "appears twice"),
    "role that the product lacks": ('operation = "die attach", role = "red"', 'operation = "die attach", role = "blue"', "routes[0].steps[1].role", "no role blue"),
    "attach without role": ('operation = "die attach", role = "red", ', 'operation = "die attach", ', "routes[0].steps[1].role", "no role"),
    "role of an inspection": ('operation = "inspect", ', 'operation = "inspect", role = "red", ', "routes[0].steps[4].role", "only a die attach"),
    "cure without recipe": ('recipe = "C170", judged = "cure"', 'judged = "cure"', "routes[0].steps[2].recipe", "has no recipe"),
    "no such recipe": ('recipe = "C170", judged', 'recipe = "C180", judged', "routes[0].steps[2].recipe", "no recipe C180"),
    "cure not judged": ('recipe = "C170", judged = "cure"', 'recipe = "C170"', "routes[0].steps[2].judged", "is not judged"),
    "judged by a cure trace": ('operation = "inspect", ', 'operation = "inspect", judged = "cure", ', "routes[0].steps[4].judged", "no cure trace"),
    "judged by placements": ('operation = "wire bond", ', 'operation = "wire bond", judged = "placements", ', "routes[0].steps[3].judged", "no placement log"),
    "judged by nothing": ('operation = "singulate" }', 'operation = "singulate", judged = "readings" }', "routes[0].steps[5].judged", "records nothing"),
    "need of no part": ('kind = "carrier tape", part = "TAPE" }] },', 'kind = "carrier tape", part = "TAPS" }] },', "routes[0].steps[7].needs[0].part", "no part TAPS"),
    "need of another kind": ('kind = "carrier tape", part = "TAPE"', 'kind = "cover tape", part = "TAPE"', "routes[0].steps[7].needs[0].part", "not cover tape"),
    "part and by order": ("by_order = true }", 'by_order = true, part = "WIRE-AU" }', "routes[0].steps[3].needs[0].by_order", "left to the order"),
    "limits": ('unit = "gf", low = 3 }', 'unit = "gf", low = 3, high = 2 }', "routes[0].steps[3].records[0].high", "3 to 2"),
    "no barrier": (', barrier = true },\n    { key = "cut", name = "singulate", operation = "singulate" },', ' },\n{ key = "cut", name = "singulate", operation = "singulate" }, # here', "routes[0].steps[5]", "no step is the barrier"),
    "two barriers": (
        '    { key = "look", name = "look", operation = "inspect", barrier = true },',
        '    { key = "first", name = "look", operation = "inspect", barrier = true },\n{ key = "look", name = "look", operation = "inspect", barrier = true }, # here',
        "routes[0].steps[5].barrier", "the barrier already",
    ),
    "barrier too late": (
        ', barrier = true },\n    { key = "cut", name = "singulate", operation = "singulate" },\n    { key = "test", name = "test", operation = "test" },\n',
        ' },\n    { key = "cut", name = "singulate", operation = "singulate" },\n    { key = "test", name = "test", operation = "test", barrier = true }, # here\n',
        "routes[0].steps[6].barrier", "have mixed before",
    ),
    "window to no step": ('to_step = "bond"', 'to_step = "bnd"', "routes[0].windows[0].to_step", "no step bnd"),
    "window backwards": ('from_step = "cure", to_step = "bond"', 'from_step = "bond", to_step = "cure"', "routes[0].windows[0].to_step", "does not come after"),
    "window without limit": (", max_minutes = 600", "", "routes[0].windows[0]", "no limit"),
    "window the wrong way round": ("max_minutes = 600", "max_minutes = 600, min_minutes = 700", "routes[0].windows[0].min_minutes", "longer"),
    "no such shelf": ('{ name = "T2", shelf = "bottom" }]', '{ name = "T2", shelf = "middle" }] # here', "stations[1].sensors[1].shelf", "no shelf middle"),
    "sensor backwards": (
        '{ name = "T2", shelf = "bottom" }]', '{ name = "T2", shelf = "bottom", since = 2026-02-01T00:00:00Z, until = 2026-01-01T00:00:00Z }] # here',
        "stations[1].sensors[1].until", "ends before",
    ),
    "shelf twice": ('shelves = ["top", "bottom"]', 'shelves = ["top", "bottom", "top"] # here', "stations[1].shelves[2]", "appears twice"),
    "shelf size without shelves": ('operations = ["test"]', 'operations = ["test"]\nshelf_panels = 3 # here', "stations[6].shelf_panels", "no shelves"),
    "no such customer": ('number = "4711"\ncustomer = "Ardwell Lamps"', 'number = "4711"\ncustomer = "Ardwel" # here', "orders[0].customer", "no customer Ardwel"),
    "order of no product": ('product = "P1"\nunits = 3000\nmaterials', 'product = "P2" # here\nunits = 3000\nmaterials', "orders[0].product", "no product P2"),
    "order asks for no part": ('part = "WIRE-AU" }]\n\n', 'part = "WIRE-XX" }] # here\n\n', "orders[0].materials[0].part", "no part WIRE-XX"),
    "customer's number of no product": ('name = "Ardwell Lamps"', 'name = "Ardwell Lamps"\n[customers.part_numbers]\n"P7" = "x" # here', "customers[0].part_numbers.P7", "no product P7"),
    "shift without length": (
        'zone = "Europe/Vienna"', 'zone = "Europe/Vienna"\nshifts = [{ name = "day", begins = 06:00:00, ends = 06:00:00 }] # here', "site.shifts[0].ends", "ends when it begins",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SHAPE)
def test_a_value_of_the_wrong_shape_is_named_with_its_line(case: str) -> None:
    old, new, path, why = SHAPE[case]
    text = changed(old, new)
    reason = reasons_for(text)[0]
    assert reason.where == f"line {line_of(text)}, {path}"
    assert why in reason.why
    assert reason.now


@pytest.mark.parametrize("case", MEANING)
def test_a_name_that_leads_nowhere_or_a_rule_broken_is_named_with_its_line(case: str) -> None:
    old, new, path, why = MEANING[case]
    text = changed(old, new)
    found = [reason for reason in reasons_for(text) if why in reason.why]
    assert [reason.where.split(", ")[1] for reason in found] == [path]
    pairs = zip(SMALL.splitlines(), text.splitlines(), strict=False)
    line = line_of(text) if "# here" in text else next(n for n, (before, after) in enumerate(pairs, 1) if before != after)
    assert found[0].where == f"line {line}, {path}"
    assert found[0].now


def test_a_list_is_called_empty_where_it_is_and_not_where_what_is_in_it_does_not_fit() -> None:
    station = '[[stations]]\nname = "Saw 1"\narea = "hall"\noperations = []\n'
    (empty,) = reasons_for(station)
    assert empty.why == "There is nothing in it, and it needs at least one." and "tuple" not in empty.why
    route = '[[routes]]\nproduct = "P1"\nrevision = "A"\n[[routes.steps]]\nkey = "saw"\nname = "saw"\noperation = ""\n'
    (wrong,) = reasons_for(route)
    assert wrong.where.endswith("steps[0].operation"), "its list of steps is not short of anything"


def test_a_judged_step_behind_the_barrier_is_refused() -> None:
    text = changed(', barrier = true },\n', ' },\n').replace('operation = "cure", ', 'operation = "cure", barrier = true, ')
    found = [reason for reason in reasons_for(text) if "nothing stops at it" in reason.why]
    assert found[0].where.endswith("routes[0].steps[2].judged")


def test_every_role_needs_a_die_attach() -> None:
    text = "\n".join(line for line in SMALL.splitlines() if 'key = "attach-red"' not in line)
    assert "No die attach of P1 rev A places the red die." in [reason.why for reason in reasons_for(text)]


def test_die_attach_after_the_units_are_loose_is_refused() -> None:
    line = '    { key = "late", name = "late", operation = "die attach", role = "red" }, # here\n'
    text = changed('    { key = "tape", name = "tape"', line + '    { key = "tape", name = "tape"')
    assert reasons_for(text)[0].where == f"line {line_of(text)}, routes[0].steps[7].operation"


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("a = 1\nb = \n", "line 2, column 5"),
        ("a = 1\na = 2\n", "line 2, column 6"),
        ('a = "open\n', "line 1, column 10"),
        ("[site\n", "line 1, column 6"),
        ("a = [1,\n2", "the end of the file"),
        (b"a = 1\nb = '\xff'\n", "line 2"),
        ("a = " + "[" * 3000, "the file"),
    ],
)
def test_what_is_no_toml_is_named_with_line_and_column(text: str, where: str) -> None:
    reason = reasons_for(text)[0]
    assert reason.where == where
    assert reason.now


def test_an_unknown_key_offers_the_one_that_was_meant() -> None:
    reason = reasons_for(changed("bin_table =", "bin_tabel ="))[0]
    assert "Did you mean bin_table?" in reason.now
    assert "moisture_level" in reason.now


def test_names_may_lead_to_the_record_instead_of_the_file() -> None:
    whole = read_catalogue(SMALL)
    order = '[[orders]]\nnumber = "4713"\ncustomer = "Brook Signboards"\nproduct = "P1"\nunits = 10\n'
    assert reasons_for(order)[0].where == "line 3, orders[0].customer"
    assert read_catalogue(order, whole).orders[0].number == "4713"


def test_a_changed_product_that_breaks_a_route_on_the_record_is_refused() -> None:
    whole = read_catalogue(SMALL)
    part = '[[parts]]\nnumber = "BLU"\nkind = "wafer"\nrole = "blue"\n'
    text = part + '[[products]] # here\npart_number = "P1"\nrows = 4\ncolumns = 5\nroles = [{ role = "blue", part = "BLU" }]\n'
    reason = reasons_for(text, whole)[0]
    assert reason.where == f"line {line_of(text)}, products[0]"
    assert "P1 rev A, which is on the record" in reason.why


def test_json_of_the_same_shape_is_read_and_its_errors_name_the_path() -> None:
    whole = read_catalogue(SMALL)
    data = whole.model_dump(mode="json")
    assert catalogue_from(data) == whole
    data["products"][0]["rows"] = 0
    with pytest.raises(BadInput) as refused:
        catalogue_from(data)
    assert refused.value.reasons[0].where == "products[0].rows"


def test_a_byte_order_mark_and_windows_line_ends_change_nothing() -> None:
    assert read_catalogue(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()) == read_catalogue(SMALL)
    text = changed('number = "DRV"', "number = 7 # here").replace("\n", "\r\n")
    assert reasons_for(text)[0].where == f"line {line_of(text)}, parts[0].number"


def test_the_example_reads_and_its_cavity_route_is_the_one_of_the_trade() -> None:
    """Six oven passes and cures of about two hours at 170 degrees C: common practice, no source."""
    example = read_catalogue(EXAMPLE)
    cavity = next(route for route in example.routes if route.product == "LF-C20")
    names = [step.operation for step in cavity.steps]
    assert names == [
        *["die attach", "cure"] * 4, "plasma clean", "wire bond", "inspect", "encapsulate", "cure", "cure", "inspect", "singulate", "clean", "test",
        "tape", "dry pack",
    ]  # fmt: skip
    assert names.count("cure") == 6
    recipes = {recipe.name: recipe for recipe in example.recipes}
    assert all(recipes[step.recipe].set_point_c == 170 and 100 <= recipes[step.recipe].soak_minutes <= 130 for step in cavity.steps if step.recipe)
    assert [step.key for step in cavity.steps if step.barrier] == ["look"]
    assert len([station for station in example.stations if "wire bond" in station.operations]) == 36
    assert read_catalogue(as_toml(example)) == example


def test_every_step_that_can_hurt_has_a_caution_that_defers_to_the_site() -> None:
    hurts = {"die attach", "cure", "plasma clean", "encapsulate", "mould", "singulate", "outside work"}
    steps = [step for route in read_catalogue(EXAMPLE).routes for step in route.steps if step.operation in hurts]
    assert all("Site rules, local codes and licensed practice come first." in step.caution for step in steps)
