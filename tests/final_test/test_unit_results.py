"""Files of unit results as testers write them: what is counted and kept, and what is refused at which line."""

import hashlib
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import duckdb
import pytest

from app.catalogue.definitions import BinEntry, BinTableBody, Polygon, Rank
from app.errors import BadInput
from app.final_test.unit_results import OtherBin, UnitResults, read_unit_results
from app.receiving.delimited import plain_name

SQUARE = ((0.60, 0.30), (0.70, 0.30), (0.70, 0.40), (0.60, 0.40))
RED = Polygon(x="x_red", y="y_red", points=SQUARE)
TABLE = BinTableBody(
    name="RGB", unbinned="OUT", failed="FAIL",
    bins=(
        BinEntry(name="HI", grade="prime", polygons=(RED,), ranks=(Rank(column="iv_red", low=400, high=600),)),
        BinEntry(name="LO", grade="second", polygons=(RED,), ranks=(Rank(column="iv_red", low=200, high=400),)),
        BinEntry(name="OPEN", grade="reject", fail_codes=("F1", "F2")),
        BinEntry(name="OUT", grade="reject"),
        BinEntry(name="FAIL", grade="reject"),
    ),
)  # fmt: skip
HEADER = "unit,result,x_red,y_red,iv_red\n"
GOOD = "1,PASS,0.65,0.35,450\n2,PASS,0.60,0.40,400\n3,F1,,,\n4,PASS,0.65,0.35,399.9\n5,F9,0.1,0.1,0\n6,pass,0.71,0.35,450\n7,PASS,,0.35,450\n"
COUNTS = {("HI", "prime"): 2, ("LO", "second"): 1, ("OPEN", "reject"): 1, ("OUT", "reject"): 2, ("FAIL", "reject"): 1}


def read(tmp_path: Path, text: str | bytes, table: BinTableBody = TABLE, **more: str) -> UnitResults:
    source = tmp_path / "results.csv"
    source.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_unit_results(source, table, tmp_path / "kept" / "results.parquet", **more)


def kept(tmp_path: Path, select: str) -> list[tuple[object, ...]]:
    return duckdb.connect().execute(select.replace("FILE", f"'{tmp_path / 'kept' / 'results.parquet'}'")).fetchall()


def test_units_are_counted_by_bin_grade_and_failure(tmp_path: Path) -> None:
    found = read(tmp_path, HEADER + GOOD)
    assert found.rows == 7
    assert found.counts_by_bin == COUNTS
    assert found.counts_by_failure == {"F1": 1, "F9": 1}
    assert found.tester_bin_differs == 0
    assert found.digest == hashlib.sha256((tmp_path / "kept" / "results.parquet").read_bytes()).hexdigest()
    assert found.source_digest == hashlib.sha256((HEADER + GOOD).encode()).hexdigest()
    rows = kept(tmp_path, "SELECT unit, failure, x_red, iv_red, bin FROM FILE")
    assert rows[2:4] == [(3, "F1", None, None, "OPEN"), (4, None, 0.65, 399.9, "LO")]


IN_MCD = BinTableBody(name="W", unbinned="LO", failed="LO", bins=(
    BinEntry(name="HI", grade="prime", ranks=(Rank(column="iv_mcd", low=400, high=600), Rank(column="wd_nm", low=600, high=640))),
    BinEntry(name="LO", grade="reject"),
))  # fmt: skip


@pytest.mark.parametrize(
    ("note", "why"),
    [
        ("iv unit: cd", "names the unit cd, and bin table W takes iv_mcd in mcd"), ("IV unit,cd", "takes iv_mcd in mcd"),
        ("# wavelength in um", "takes wd_nm in nm"), ("Wavelength unit: \u00b5m", "takes wd_nm in nm"), ("Units: iv mcd, wd um", "takes wd_nm in nm"),
        ("unit of intensity: candela", "takes iv_mcd in mcd"), ("iv unit: 0.1 mcd", "unit 0.1 mcd"), ("iv_mcd unit: lm", "takes iv_mcd in mcd"),
        ("iv: cd", "takes iv_mcd in mcd"),
    ],
)  # fmt: skip
def test_a_unit_that_is_named_above_the_header_and_is_not_the_one_taken_is_refused(tmp_path: Path, note: str, why: str) -> None:
    with pytest.raises(BadInput) as caught:
        read(tmp_path, f"Lot: K-1\n{note}\nunit,result,iv_mcd,wd_nm\n1,PASS,450,620\n", IN_MCD)
    assert caught.value.reasons[0].where == "line 2" and why in caught.value.reasons[0].why and "Export it" in caught.value.reasons[0].now


@pytest.mark.parametrize(
    "note",
    ["iv unit: mcd", "Units: iv millicandela, wd nm", "Units: 1", "Test current: 20 mA", "Current unit: mA", "iv: 450 cd", "Lot unit: K-7", "in: A"],
)
def test_a_unit_above_the_header_that_is_taken_or_of_something_else_is_passed_over(tmp_path: Path, note: str) -> None:
    found = read(tmp_path, f"{note}\nunit,result,iv_mcd,wd_nm\n1,PASS,450,620\n", IN_MCD)
    assert found.counts_by_bin == {("HI", "prime"): 1}


def other_order(line: str) -> str:
    unit, *rest = line.split(",")
    return ",".join([*reversed(rest), unit])


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + HEADER + GOOD,
        (HEADER + GOOD).replace("\n", "\r\n"),
        (HEADER + GOOD)[:-1],
        HEADER + GOOD + "\n\n",
        HEADER + GOOD.replace("\n", "\n\n", 2),
        (HEADER + GOOD).replace(",", "\t"),
        (HEADER + GOOD).replace(",", ";"),
        (HEADER + GOOD).replace(",", ";").replace(".", ","),
        "Unit No,RESULT,X Red,Y-Red,IV_RED\n" + GOOD,
        "".join(other_order(line) + "\n" for line in (HEADER + GOOD).splitlines()),
        "Tester: T-3\nProgram: RGB 5\n" + HEADER + GOOD,
        "unit,failure code,x_red,y_red,iv_red\n" + GOOD.replace("PASS", ""),
        '"unit","result","x_red","y_red","iv_red"\n' + GOOD.replace("PASS", '"PASS"').replace("F1", '"F1"'),
        "unit,result,x_red,y_red,iv_red,vf,remark\n" + GOOD.replace("\n", ",2.1,after a jam\n"),
    ],
    ids=[
        "byte order mark", "windows lines", "no last newline", "blank lines at the end", "blank lines", "tabs", "semicolons", "decimal comma",
        "other titles", "other order", "notes before", "failure code", "quoted words", "more columns",
    ],
)  # fmt: skip
def test_the_same_results_written_otherwise_count_the_same(tmp_path: Path, text: str) -> None:
    found = read(tmp_path, text)
    assert found.counts_by_bin == COUNTS
    assert sorted(found.counts_by_failure) == ["F1", "F9"]


def test_other_columns_are_kept_as_numbers_or_text(tmp_path: Path) -> None:
    read(tmp_path, "unit,result,x_red,y_red,iv_red,Vf,remark\n1,PASS,0.65,0.35,450,2.1,after a jam\n2,PASS,0.65,0.35,450,,\n")
    assert kept(tmp_path, "SELECT Vf + 1, remark FROM FILE") == [(3.1, "after a jam"), (None, None)]


def test_the_same_file_gives_the_same_parquet(tmp_path: Path) -> None:
    assert read(tmp_path, HEADER + GOOD).digest == read(tmp_path, HEADER + GOOD).digest


def test_counts_agree_with_a_count_by_hand_over_many_lines(tmp_path: Path) -> None:
    chance = random.Random(11)
    lines, expected = [], Counter[str]()
    for unit in range(1, 20_001):
        x, y, iv = chance.randint(590, 710), chance.randint(290, 410), chance.randint(150, 650)
        failure = chance.choice(["F1", "F3"]) if chance.random() < 0.05 else None
        inside = 600 <= x <= 700 and 300 <= y <= 400
        passed = "HI" if inside and 400 <= iv <= 600 else "LO" if inside and 200 <= iv < 400 else "OUT"
        expected[{"F1": "OPEN", "F3": "FAIL", None: passed}[failure]] += 1
        lines.append(f"{unit},{failure or 'PASS'},{x / 1000},{y / 1000},{iv}\n")
    found = read(tmp_path, HEADER + "".join(lines))
    assert {name: units for (name, _), units in found.counts_by_bin.items()} == expected


def test_the_tester_s_own_bin_is_compared(tmp_path: Path) -> None:
    text = "unit,result,x_red,y_red,iv_red,tester bin\n1,PASS,0.65,0.35,450,HI\n2,PASS,0.65,0.35,450,LO\n\n3,F1,,,,FAIL\n4,PASS,0.65,0.35,250,\n"
    found = read(tmp_path, text)
    assert found.tester_bin_differs == 2
    assert found.first_other_bins == (OtherBin(3, "2", "LO", "HI"), OtherBin(5, "3", "FAIL", "OPEN"))


@pytest.mark.parametrize(("first", "last"), [("0001", "0002"), ("A-1", "A-2"), ("12345678901234567890", "12345678901234567891")])
def test_units_that_are_no_plain_numbers_keep_their_names(tmp_path: Path, first: str, last: str) -> None:
    read(tmp_path, f"{HEADER}{first},PASS,0.65,0.35,450\n{last},PASS,0.65,0.35,450\n")
    assert kept(tmp_path, "SELECT unit FROM FILE") == [(first,), (last,)]


def test_a_name_far_down_makes_all_units_names(tmp_path: Path) -> None:
    """The first lines have numbers only; the file is read again, and nothing is refused for it."""
    lines = "".join(f"{unit},PASS,0.65,0.35,450\n" for unit in range(1, 3000))
    found = read(tmp_path, HEADER + lines + "R-17,PASS,0.65,0.35,450\n")
    assert found.rows == 3000
    assert kept(tmp_path, "SELECT unit FROM FILE OFFSET 2998") == [("2999",), ("R-17",)]


FIRST = HEADER + "1,PASS,0.65,0.35,450\n"
LONG = HEADER + "".join(f"{unit},PASS,0.65,0.35,450\n" for unit in range(1, 1501))


@pytest.mark.parametrize(
    ("text", "place", "why"),
    [
        ("", "line 1", "no header"),
        (HEADER, "line 1", "No unit follows"),
        (HEADER.replace("unit", "part").replace("result", "how") + GOOD, "line 1", "no header"),
        (HEADER.replace("iv_red", "iv_rot") + GOOD, "line 1, column iv_red", "missing"),
        (HEADER.replace("\n", ",X Red\n") + GOOD, "line 1, column 6", "Two columns"),
        (HEADER.replace("\n", ",status\n") + GOOD, "line 1, column 6", "Two columns"),
        (HEADER.replace("\n", ",vf,VF\n") + GOOD, "line 1, column VF", "Two columns"),
        (HEADER.replace("\n", ",\n") + GOOD, "line 1, column 6", "no usable title"),
        ("lines of a report\n" + HEADER + GOOD, "line 1", "key: value"),
        (HEADER + "1,PASS,65.1,0.35,450\n2,PASS,64.8,0.35,450\n", "line 1, column x_red", "numbers above one"),
        ("Units: 1,002\n" + FIRST, "line 1", "It says 1002 units"),
        (FIRST + "2,PASS,abc,0.35,450\n", "line 3, column x_red", "'abc' is not a number"),
        (FIRST + "2,PASS,nan,0.35,450\n", "line 3, column x_red", "nan is not a measured number"),
        (FIRST + "\n2,PASS,0.65,0.35,-inf\n", "line 4, column iv_red", "-inf is not a measured number"),
        (FIRST + "2,PASS,0.65,0.35,1e300\n", "line 3, column iv_red", "1e+300 is not a measured number"),
        (FIRST + "2,PASS,0.65,0.35\n", "line 3", "It has 4 fields; the header has 5"),
        (FIRST + "2,PASS,0.65,0.35,450,7\n", "line 3", "It has 6 fields"),
        (FIRST + "2,PASS,0,65,0,35,450\n", "line 3", "It has 7 fields"),
        (FIRST + "2,,0.65,0.35,450\n", "line 3, column result", "empty"),
        (FIRST + ",PASS,0.65,0.35,450\n", "line 3, column unit", "missing"),
        (LONG + "1501.5,PASS,0.65,0.35,450\n", "line 1502, column unit", "not a whole number"),
        (FIRST + "2,PASS,0.65,0.35,450\n\n1,F1,,,\n", "line 5, column unit", "Unit 1 has a result in line 2 already"),
        (FIRST.replace("\n1,", "\nA,") + "B,F1,,,\nA,F1,,,\n", "line 4, column unit", "Unit A has a result in line 2 already"),
        (FIRST + '2,"PASS,0.65,0.35,450\n3,PASS,"0.65,0.35,450\n', "line 4, column x_red", "is not a number"),
        (FIRST + "2,PASS,0.65,0.35,450\r\n", "the whole file", "end in different ways"),
        (FIRST.replace("\n", "\r", 1), "the whole file", "end in different ways"),
        (FIRST.replace("unit,", "no,"), "line 1, column unit", "missing, or has another name"),
        (FIRST.encode("utf-16-le"), "the whole file", "zero bytes"),
        (FIRST.encode("utf-16") + b"2", "the whole file", "begins as UTF-16 text, but is not"),
        (FIRST.encode() + b"2,D\xe9faut,0.65,0.35,450\n", "line 3", "not UTF-8"),
        (FIRST.replace(",", ";") + "2;PASS;0,65;0.35;450\n", "after line 1", "both 0,65 and 0.65"),
        (HEADER.replace(",", ";") + "1;PASS;;;1,250\n", "after line 1", "thousands or decimals"),
        (LONG.replace(",", ";").replace(".", ",") + "1501;PASS;0.65;0,35;450\n", "line 1502, column x_red", "decimal comma"),
        (FIRST + "2," + "P" * 3_000_000 + ",0.65,0.35,450\n", "line 3", "longer than any line"),
    ],
)  # fmt: skip
def test_what_can_not_be_understood_is_refused_at_its_place_and_nothing_is_kept(tmp_path: Path, text: str | bytes, place: str, why: str) -> None:
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, text)
    reason = refusal.value.reasons[0]
    assert reason.where == place
    assert why in reason.why
    assert reason.now and "/" not in f"{reason.why}{reason.now}".replace("A/B", ""), "a path of the machine says nothing to the reader"
    assert not (tmp_path / "kept").exists() or not list((tmp_path / "kept").iterdir())


MARKED = HEADER.replace(",", ";") + "1;PASS;1,250;2,500;{}\n"  # thousandths of a unit, or thousands of it


def test_a_decimal_comma_that_could_part_thousands_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, MARKED.format("312,125"))
    assert "State the decimal sign" in refusal.value.reasons[0].now
    read(tmp_path, MARKED.format("312,125"), decimal=",")
    assert kept(tmp_path, "SELECT x_red, y_red, iv_red FROM FILE") == [(1.25, 2.5, 312.125)]
    read(tmp_path, MARKED.format("0,312"))  # a zero before the comma parts no thousands
    assert kept(tmp_path, "SELECT x_red, y_red, iv_red FROM FILE") == [(1.25, 2.5, 0.312)]


POINTS = HEADER.replace(",", ";") + "1;PASS;0.65;0.35;980\n2;PASS;0.65;0.35;1.150\n3;PASS;0.64;0.36;{}\n"


def test_points_that_could_part_thousands_among_whole_numbers_are_asked_for(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, POINTS.format("1.000"))
    (reason,) = refusal.value.reasons
    assert (reason.where, "1.150" in reason.why, "State the decimal sign" in reason.now) == ("line 3, column iv_red", True, True)
    read(tmp_path, POINTS.format("1.000"), decimal=".")
    assert kept(tmp_path, "SELECT iv_red FROM FILE") == [(980.0,), (1.15,), (1.0,)]
    for plain in ("450.5", "0.875", "1.25"):  # of such a number no thousands are parted
        read(tmp_path, POINTS.format(plain))
        assert kept(tmp_path, "SELECT iv_red FROM FILE")[1:] == [(1.15,), (float(plain),)]
    read(tmp_path, POINTS.replace(";", ",").format("450"))  # the comma parts the columns, so the point is the decimal sign
    read(tmp_path, POINTS.replace("980", "1.980").format("1.455"))  # nor where all have it


@pytest.mark.parametrize(
    ("text", "decimal", "why"),
    [
        (MARKED.format("450"), ".", "does not have the decimal sign ."),
        (MARKED.replace(",", ".").format("450"), ",", "does not have the decimal sign ,"),
        (HEADER + GOOD, ",", "separates its columns"), (MARKED.format("450"), ";", "not a decimal sign"),
    ],
)  # fmt: skip
def test_a_decimal_sign_that_was_stated_must_be_the_file_s(tmp_path: Path, text: str, decimal: str, why: str) -> None:
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, text, decimal=decimal)
    assert why in refusal.value.reasons[0].why and refusal.value.reasons[0].now


def test_a_refused_file_leaves_the_earlier_one_as_it_was(tmp_path: Path) -> None:
    read(tmp_path, HEADER + GOOD)
    before = (tmp_path / "kept" / "results.parquet").read_bytes()
    with pytest.raises(BadInput):
        read(tmp_path, HEADER + GOOD + "8,PASS,x,x,x\n")
    assert (tmp_path / "kept" / "results.parquet").read_bytes() == before
    assert len(list((tmp_path / "kept").iterdir())) == 1


def test_every_bad_line_is_counted_and_the_first_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="30 lines are at fault") as refusal:
        read(tmp_path, FIRST + "".join(f"{unit},PASS,x,0.35,450\n" for unit in range(2, 32)))
    assert [reason.where for reason in refusal.value.reasons] == [f"line {line}, column x_red" for line in range(3, 23)]
    with pytest.raises(BadInput, match="1000 or more lines are at fault"):
        read(tmp_path, FIRST + "".join(f"{unit},PASS,x,0.35,450\n" for unit in range(2, 5000)))
    with pytest.raises(BadInput, match="2 lines are at fault"):
        read(tmp_path, FIRST + "1,PASS,0.65,0.35,450\n1,PASS,0.65,0.35,450\n")


def test_a_path_or_a_name_with_a_quote_is_only_a_name(tmp_path: Path) -> None:
    folder = tmp_path / "it's here"
    folder.mkdir()
    bins = (*TABLE.bins, BinEntry(name="it's open", grade="reject", fail_codes=("can't",)))
    found = read(folder, HEADER + GOOD + "8,can't,,,\n", TABLE.model_copy(update={"bins": bins}))
    assert found.counts_by_bin[("it's open", "reject")] == 1


@pytest.mark.parametrize("name", ['"iv', 'iv"', '""" , (select content from read_text(\'/etc/hostname\')) AS """""'])
def test_a_column_of_a_bin_table_with_quotes_is_only_a_name(tmp_path: Path, name: str) -> None:
    """Otherwise it would be a part of the statement, and could read any file of the server."""
    bins = (BinEntry(name="HI", grade="prime", ranks=(Rank(column=name, low=400, high=600),)), *TABLE.bins[-2:])
    text = f"unit;result;{plain_name(name)}\n1;PASS;450\n"
    found = read(tmp_path, text, TABLE.model_copy(update={"bins": bins}))
    assert found.counts_by_bin == {("HI", "prime"): 1}
    assert [row[0] for row in kept(tmp_path, "DESCRIBE SELECT * FROM FILE")] == ["unit", name, "failure", "bin"]
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, text + "2;PASS;nan\n", TABLE.model_copy(update={"bins": bins}))
    assert refusal.value.reasons[0].where.startswith("line 3, column")


def test_a_column_may_be_called_as_what_stands_for_the_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as refusal:
        read(tmp_path, HEADER.replace("\n", ",PROFILE\n") + "1,PASS,0.65,0.35,450,1.5\n2,PASS,0.65,0.35,450,nan\n")
    assert refusal.value.reasons[0].where == "line 3, column PROFILE"


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """A file four times as long takes at most some tens of MB more, far less than what it is longer by."""
    small, large = (peak_mb(tmp_path, lines) for lines in (500_000, 2_000_000))
    longer = (tmp_path / "2000000.csv").stat().st_size - (tmp_path / "500000.csv").stat().st_size
    assert large - small < longer / 2**20 * 0.4


def peak_mb(tmp_path: Path, lines: int) -> float:
    """What a process of its own takes at most while it reads so many lines."""
    source = tmp_path / f"{lines}.csv"
    duckdb.connect().execute(
        f"COPY (SELECT i AS unit, 'PASS' AS result, 0.6 + i % 997 / 9970 AS x_red, 0.3 + i % 991 / 9910 AS y_red, 300 + i % 313 AS iv_red,"
        f" i % 7919 / 7919 AS v1, i % 7907 / 7907 AS v2, i % 7901 / 7901 AS v3 FROM range({lines}) AS t(i)) TO '{source}' (HEADER true)"
    )
    program = (
        "import resource, sys; from pathlib import Path; from app.catalogue.definitions import BinTableBody;"
        " from app.final_test.unit_results import read_unit_results;"
        " table = BinTableBody.model_validate_json(sys.argv[2]);"
        " found = read_unit_results(Path(sys.argv[1]), table, Path(sys.argv[1] + '.parquet'), memory_limit='128MB');"
        " print(found.rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run([sys.executable, "-c", program, str(source), TABLE.model_dump_json()], capture_output=True, text=True, check=True)
    rows, peak_kb = done.stdout.split()
    assert int(rows) == lines
    return int(peak_kb) / 1024
