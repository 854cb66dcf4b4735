"""What each field of the catalogue's file means, for the document of the API: who writes a catalogue has no code to look into."""

from typing import Any

WORDS: dict[str, dict[str, str]] = {
    "Shift": {"name": "Of the shift.", "begins": "Local time of day.", "ends": "Local time of day; before `begins`: on the next day."},
    "Site": {
        "name": "Of the site.", "zone": "IANA name: Europe/Vienna, America/St_Johns. Pages show times in it.",
        "day_start": "When the production day begins there.", "shifts": "Of a production day, in their order.",
        "country": "Country of origin on labels, ISO 3166-1 alpha-2.",
    },
    "Part": {
        "number": "Part number.", "kind": "What material it is.", "description": "In words.",
        "role": "Of a wafer part: what its die is, in your own word, such as driver or red.",
        "more_roles": "Its other roles, where a unit has several of the same die: each is placed by a step of its own.",
        "passing_bins": "Of a wafer part: die bins that pass, where a map's file does not say.",
        "rows": "Of a lead frame: cells down.", "columns": "Of a lead frame: cells across.",
        "shelf_life_days": "From receipt, where the batch states no date.", "pot_life_minutes": "From opening, or from mixing.",
        "activation_energy_kj_mol": "Of an adhesive: for its heat ledger, where the recipe of its cure gives none.",
    },
    "Role": {"role": "What a die is in this product.", "part": "The wafer part that gives it; the role is among that part's."},
    "Product": {
        "part_number": "Part number.", "description": "In words.", "rows": "Cells of its panels, down: as its lead frame.",
        "columns": "Cells of its panels, across.", "roles": "Its dies. Each role is placed by a die attach of the route.",
        "bin_table": "By which tested units are sorted, where a test step names no other. Empty: counts by bins of any name, all prime.",
        "units_per_reel": "Units of a full pack.", "max_lots_per_pack": "Of how many panel lots a pack may hold units.",
        "moisture_level": "J-STD-020, for the label. A pack is dry packed before it ships where its route has that step.",
        "shelf_months": "In the sealed bag.", "seconds_part_number": "Under which seconds are sold; empty: they are not.",
    },
    "Need": {
        "kind": "Of material that must be on the station when the step starts.", "part": "Empty: any part of that kind.",
        "by_order": "The part is what the lot's order asks among its `materials`.",
    },
    "Record": {
        "name": "As it is entered.", "unit": "Of the value.", "low": "Least allowed; empty: none.", "high": "Greatest allowed; empty: none.",
    },
    "Step": {
        "key": "Names the step in calls and windows; a number will do.", "name": "As people say it.", "operation": "What is done.",
        "role": "Of a die attach: which die it places.", "recipe": "Of a cure.",
        "bin_table": "Of a test, where it is not the product's: a first stage sorts by less than the last.",
        "needs": "Material; a die attach needs its wafer without saying.", "records": "Values that must be given when it finishes.",
        "certificate": "That whoever does it must have, by a name of yours; empty: nobody needs one.",
        "judged": "By what it is judged: a cure by its logger's file, a die attach by its placement log, any by its readings. "
        "What is open here stops the next step, but for a signature at risk, and the barrier always.",
        "barrier": "The last step before units mix: nothing uncertain passes it.",
        "count": "How the terminal asks for a count at the finish.", "mixed_products": "Several products may be in one run.",
        "wrong_placements_limit": "Share of a lot's placements that may be wrong before it does not conform.",
        "standard_minutes": "For what is late, and the day's forecast.",
        "wait_limit_minutes": "Waiting longer is stuck; empty: the 95th percentile of the last 30 days.",
        "instruction": "Shown at the step.", "caution": "Shown at the step and on the traveller.",
    },
    "Window": {
        "from_step": "Key; the time runs from its end.", "to_step": "Key.", "until": "Whether `to_step` must have started, or ended, in time.",
        "max_minutes": "The longest time; empty: none.", "min_minutes": "The shortest time; empty: none.",
        "repeats": "How often `from_step` may be done again when the time ran out. Write 0 where it can't, as for a die attach.",
    },
    "Route": {
        "product": "Part number.", "revision": "Of the route. It is a draft until it is approved, by signature.", "steps": "In their order.",
        "windows": "Times between steps.",
    },
    "Kinetics": {
        "model": "nth order: k1 (1 - a)^n; kamal: (k1 + k2 a^m) (1 - a)^n.", "a1_per_s": "Of k1.", "e1_kj_mol": "Of k1.", "a2_per_s": "Of k2.",
        "e2_kj_mol": "Of k2.", "m": "Exponent.", "n": "Exponent.", "least_degree": "Of cure, on the coldest sensor.",
        "greatest_degree": "Of cure, on the hottest.",
    },
    "Recipe": {
        "name": "As steps name it.", "set_point_c": "Degrees Celsius; equivalent minutes are reckoned at it.", "band_low_c": "Of the soak.",
        "band_high_c": "Of the soak.", "soak_minutes": "Least time in which every sensor of the shelf is in the band, unbroken.",
        "soak_max_minutes": "Longest.", "sum_soaks": "The soaks of an aborted round and of the one that completes it may be added.",
        "ramp_up_max_c_per_min": "Steepest rise.", "ramp_down_max_c_per_min": "Steepest fall.",
        "spread_max_c": "Between sensors of the shelf, in the band.",
        "overshoot_max_c": "Above the set point.", "max_gap_seconds": "Longer without a reading: the cure can't be told.",
        "min_sensors": "That must watch the shelf.", "activation_energy_kj_mol": "For equivalent minutes (Arrhenius).",
        "min_equivalent_minutes": "At the set point, summed over all rounds.", "kinetics": "For the degree of cure.",
    },
    "Sensor": {
        "name": "As the logger's file heads its column, but for a unit.", "shelf": "That it watches.", "since": "Empty: always.",
        "until": "Empty: still.",
    },
    "Station": {
        "name": "Of the station.", "area": "Where it stands; terminals are enrolled for an area.", "operations": "What it can do.",
        "places": "Where material is put, each for one batch or wafer. Named for a kind of material (wafer left, adhesive), a place is kept for it. "
        "Empty: one place for each kind.",
        "capacity_panels": "Of an oven, per load.", "shelves": "Of an oven, by names of yours.", "shelf_panels": "That a shelf holds.",
        "sensors": "Of an oven's logger. None: every sensor of its file counts for every shelf.",
        "calibration_due": "After it nothing starts here.", "units_per_hour": "At standard pace, for effectiveness and the forecast.",
    },
    "CertificateOfPerson": {"name": "As steps name it.", "valid_until": "Empty: it has no end."},
    "PersonEntry": {
        "name": "Of the person.", "badge": "Its code; empty: one is given.", "duties": "What they may do.", "certificates": "What they may work at.",
    },
    "Rank": {"column": "Of the tester's file.", "low": "Least, itself in it.", "high": "Greatest, itself in it."},
    "Polygon": {"x": "Column of the tester's file, such as x_red.", "y": "The other column.", "points": "Corners as [x, y]; edges belong to it."},
    "BinEntry": {
        "name": "Of the bin. A passing unit goes to the first bin of the table that takes it.", "grade": "What may be done with it.",
        "polygons": "Of those for one pair of columns, any one must hold the unit.", "ranks": "Each must hold it.",
        "fail_codes": "Of failed units that go here.",
    },
    "BinTableBody": {
        "name": "As products and test steps name it.", "unbinned": "The reject bin of this table for what fits nowhere.",
        "failed": "The reject bin of this table for failure codes that no bin names.", "bins": "In the order in which they are tried.",
    },
    "ReasonEntry": {
        "name": "As it is given.",
        "of": "For what. Of marks, scrap, samples and voids no other is taken, where one is listed; of the rest any words are.",
        "state": "Of a station: what it is for this reason; its card says both.",
    },
    "Customer": {"name": "Of the customer.", "part_numbers": "Our part number -> theirs.", "supplier_code": "That they gave us."},
    "OrderMaterial": {"kind": "Of material.", "part": "That the customer asks for."},
    "Order": {
        "number": "The customer's.", "customer": "By name.", "product": "Part number.", "units": "Ordered.", "due": "Day.",
        "materials": "What this order asks for, where steps leave the part to it.", "accepts_seconds": "Seconds may be packed and shipped for it.",
        "over_percent": "So much more than its units ships without a reason: what the customer takes unasked.",
    },
}  # fmt: skip


def put_words(schemas: dict[str, Any]) -> None:
    """Into a document's schemas, each field's own."""
    for name, fields in WORDS.items():
        for field, words in fields.items():
            schemas[name]["properties"][field].setdefault("description", words)
