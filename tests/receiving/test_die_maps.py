"""Die maps: every frame and format to the same die coordinates, and a refusal for all that is left open or contradicts."""

import re
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from app.errors import BadInput
from app.receiving.die_maps import Bin, DieMap, Stated, dump, load, read_maps
from app.receiving.map_notes import null_code
from tests.receiving.map_writing import CODES, NULL, PASSING, Written, written_maps

SMALL = Written(((".", "1", "1", "."), ("1", "a", "1", "A"), (".", "7", "1", "x")))


def read(text: str, **stated: object) -> DieMap:
    (found,) = read_maps(text.encode(), "test.map", Stated(**stated))  # type: ignore[arg-type]
    return found


def refusal(text: str | bytes, **stated: object) -> tuple[str, str]:
    """Where and why: every refusal of a map names a place and a remedy."""
    with pytest.raises(BadInput) as caught:
        read_maps(text if isinstance(text, bytes) else text.encode(), "test.map", Stated(**stated))  # type: ignore[arg-type]
    assert all(reason.where and reason.now for reason in caught.value.reasons)
    return caught.value.reasons[0].where, caught.value.reasons[0].why


def read_or_refuse(data: bytes) -> list[DieMap] | None:
    """The maps, or None for a refusal that names a place and a remedy. Nothing else may be raised."""
    try:
        return read_maps(data, "test.map")
    except BadInput as refused:
        reasons = refused.reasons
    assert all(reason.where and reason.now for reason in reasons)
    return None


def dies_of(die_map: DieMap) -> dict[tuple[int, int], str]:
    found = {}
    for y in range(die_map.y_min, die_map.y_max + 1):
        for x in range(die_map.x_min, die_map.x_max + 1):
            entry = die_map.bin_at(x, y)
            if entry is not None:
                found[x, y] = entry.code
    return found


@given(written_maps(), st.sampled_from((NULL, " ", "#")))
def test_e142_reads_back_to_the_same_die_coordinates_in_every_frame(written: Written, null: str) -> None:
    found = read(written.e142(null))
    assert dies_of(found) == written.dies()
    assert (found.wafer, found.rows, found.columns) == ("W-7", len(written.lines()), len(written.lines()[0]))


@given(written_maps())
def test_g85_reads_back_to_the_same_die_coordinates_in_every_frame(written: Written) -> None:
    away = {"UpperLeft": "DownRight", "UpperRight": "DownLeft", "LowerLeft": "UpRight", "LowerRight": "UpLeft"}
    written = replace(written, axis=away[written.origin])
    number = {code: f"{n:03d}" for n, code in enumerate(CODES, start=1)}
    assert dies_of(read(written.g85())) == {die: number[code] for die, code in written.dies().items()}


@given(written_maps(), st.sampled_from((NULL, " ")))
def test_a_text_grid_reads_back_to_the_same_die_coordinates_in_every_frame(written: Written, null: str) -> None:
    assert dies_of(read(written.text(null))) == written.dies()


@given(written_maps(), st.sampled_from((",", ";", "\t")), st.sampled_from(("\n", "\r\n", "\r")), st.booleans())
def test_csv_keeps_the_coordinates_of_the_file(written: Written, delimiter: str, newline: str, mark: bool) -> None:
    text = ("\ufeff" if mark else "") + written.csv().replace(",", delimiter).replace("\n", newline)
    assert dies_of(read(text)) == written.dies()


@given(written_maps())
def test_a_map_packed_and_loaded_again_is_the_same(written: Written) -> None:
    for found in (read(written.e142()), read(written.csv())):
        again = load(dump(found))
        assert np.array_equal(again.grid, found.grid)
        assert again.grid.dtype == found.grid.dtype
        assert replace(again, grid=found.grid).__dict__ == found.__dict__
        assert dump(again) == dump(found)


def numbered(rows: int, columns: int, runs: int, bins: int) -> DieMap:
    cells = np.arange(rows * columns) * runs // (rows * columns) % bins
    table, grid = tuple(Bin(str(n), "fail") for n in range(bins)), cells.astype("u1" if bins <= 256 else "u2").reshape(rows, columns)
    return DieMap("text", "W1", None, None, "UpperLeft", "DownRight", 0, False, ".", table, grid, 0, 0)


@pytest.mark.parametrize("bins", [2, 300])
@pytest.mark.parametrize(("rows", "columns", "runs"), [(1, 1, 1), (3, 5, 2), (300, 300, 9), (2, 70_000, 2), (40, 40, 1600)])
def test_a_map_is_packed_and_loaded_again_whatever_its_size(bins: int, rows: int, columns: int, runs: int) -> None:
    """Of bins that a byte numbers, and of more."""
    told = numbered(rows, columns, runs, bins)
    again = load(dump(told))
    assert np.array_equal(again.grid, told.grid) and again.grid.dtype == told.grid.dtype and again.table == told.table


@pytest.mark.parametrize(
    ("rows", "columns", "runs", "bins", "packed"),
    [
        (2, 5, 1, 2, "7801636060600000000400017801e30200000b000b"),
        (40, 40, 9, 2, "7801636064804006dc000000a400057801dbb469d3a68d9b366dda08001f4d0641"),
        (2, 70_000, 3, 300, "7801636060646062d8b66d1b03180000114202267801f3f6f6020001c400e1"),
    ],
)
def test_a_map_that_an_earlier_version_packed_by_its_runs_is_loaded(rows: int, columns: int, runs: int, bins: int, packed: str) -> None:
    """Runs of more than one byte and of more than two say; as that version wrote them."""
    told = numbered(rows, columns, runs, bins)
    now = dump(told)
    before = b"DMP2" + now[4 : 8 + int.from_bytes(now[4:8], "little")] + bytes.fromhex(packed)
    assert np.array_equal(load(before).grid, told.grid)


@given(written_maps())
def test_indexes_go_row_by_row_from_the_least_y_and_back(written: Written) -> None:
    found = read(written.e142())
    x, y = found.coordinates_of(np.arange(found.positions))
    assert found.index_of(x, y).tolist() == list(range(found.positions))
    assert sorted(zip(y.tolist(), x.tolist(), strict=True)) == list(zip(y.tolist(), x.tolist(), strict=True))
    assert found.index_of([found.x_max + 1, found.x_min], [found.y_min, found.y_min - 1]).tolist() == [-1, -1]
    codes = {die: found.passes()[found.index_of(*die)] for die in written.dies()}
    assert codes == {die: code in PASSING for die, code in written.dies().items()}
    assert found.exists().sum() == len(written.dies()) == found.gross
    assert (found.passing, found.failing) == (found.passes().sum(), found.gross - found.passes().sum())


@given(written_maps())
def test_the_picture_shows_the_wafer_with_its_notch_down(written: Written) -> None:
    found = read(written.e142())
    shown = [[found.table[n].code for n in line] for line in found.picture().tolist()]
    assert shown == [list(line) for line in written.picture]


@settings(max_examples=300)
@given(st.sampled_from(("e142", "g85", "text")), st.data())
def test_a_damaged_file_is_refused_or_read_as_it_says(form: str, data: st.DataObject) -> None:
    """One byte changed, left out, doubled, or the end cut off: counts and sizes in the file catch a changed grid."""
    good = getattr(SMALL, form)().encode()
    place = data.draw(st.integers(0, len(good) - 1))
    letter = bytes([data.draw(st.sampled_from(b' .1aAx7<>"&/\n\0\xff'))])
    damaged = data.draw(
        st.sampled_from(
            (
                good[:place] + letter + good[place + 1 :],
                good[:place] + good[place + 1 :],
                good[:place] + letter + good[place:],
                good[:place],
            )
        )
    )
    before = read_maps(good, "test.map")[0]
    found = read_or_refuse(damaged)
    if found is None:
        return
    # What is read differently must stand differently in the head: no change of a row may pass.
    frame = [(m.origin, m.axis, m.orientation, m.null_code, [(b.code, b.quality) for b in m.table]) for m in (before, found[0])]
    assert len(found) == 1
    assert frame[0] != frame[1] or dies_of(found[0]) == dies_of(before)


@pytest.mark.parametrize(("number", "name"), [("1", "UpperRight"), ("2", "UpperLeft"), ("3", "LowerLeft"), ("4", "LowerRight")])
def test_g85_corners_may_be_numbers_or_names(number: str, name: str) -> None:
    numbered = replace(SMALL, origin=name).g85()
    named = numbered.replace(f'OriginLocation="{number}"', f'OriginLocation="{name}"')
    assert dies_of(read(numbered)) == dies_of(read(named))


def test_numbers_for_corner_and_axis_in_e142_are_refused_until_stated() -> None:
    text = SMALL.e142().replace('"UpperLeft"', '"2"').replace('"DownRight"', '"4"')
    assert refusal(text) == ("line 3, SubstrateMap, origin", "The file says '2', which is not understood.")
    assert "axis direction" in refusal(text, origin="UpperLeft")[0]
    assert dies_of(read(text, origin="UpperLeft", axis="DownRight")) == SMALL.dies()


def test_a_missing_origin_must_be_stated() -> None:
    text = SMALL.e142().replace(' OriginLocation="UpperLeft"', "")
    assert "in which corner" in refusal(text)[1]
    assert dies_of(read(text, origin="upper left")) == SMALL.dies()


def test_a_statement_that_contradicts_the_file_is_refused() -> None:
    assert "'LowerLeft' was stated" in refusal(SMALL.e142(), origin="LowerLeft")[1]
    assert "was stated" in refusal(SMALL.e142(), null="7")[1]
    assert "was stated" in refusal(SMALL.e142(), wafer="W-8")[1]
    assert "9 rows are declared" in refusal(SMALL.e142(), rows=9)[1]
    assert refusal(SMALL.e142(), orientation="45")[0] == "stated orientation"


def test_the_centre_is_an_origin_where_there_is_a_middle_die() -> None:
    odd = Written((("1", "1", "7"), ("1", "A", "1"), ("1", "1", "1")))
    text = odd.e142().replace('"UpperLeft"', '"Center"')
    assert read(text).bin_at(0, 0).code == "A"  # type: ignore[union-attr]
    assert read(text).bin_at(1, -1).code == "7"  # type: ignore[union-attr]
    assert "no middle die" in refusal(SMALL.e142().replace('"UpperLeft"', '"Center"'))[1]


def test_coordinates_may_be_stated_to_count_as_drawn_or_from_one() -> None:
    turned = replace(SMALL, orientation=90)
    lines = turned.lines()
    as_drawn = {(x, y): code for y, line in enumerate(lines) for x, code in enumerate(line) if code != NULL}
    assert dies_of(read(turned.e142(), as_drawn=True)) == as_drawn
    assert dies_of(read(SMALL.e142(), first=1)) == {(x + 1, y + 1): code for (x, y), code in SMALL.dies().items()}


def test_a_quarter_turn_that_is_none_is_refused() -> None:
    assert "which is not understood" in refusal(SMALL.e142().replace('Orientation="0"', 'Orientation="45"'))[1]


def test_letter_case_of_codes_matters_in_text_and_not_in_hexadecimal() -> None:
    assert {b.code: b.count for b in read(SMALL.e142()).table} == {".": 3, "1": 5, "7": 1, "A": 1, "a": 1, "x": 1}
    text = hexadecimal("ff0A0aFF", "0A", 2)
    assert read(text).passing == 2


def hexadecimal(row: str, code: str, count: int) -> str:
    return (
        '<SubstrateMap SubstrateId="W" OriginLocation="UpperLeft"><Overlay><BinCodeMap BinType="HexaDecimal" NullBin="FF">'
        f'<BinDefinition BinCode="{code}" BinCount="{count}" BinQuality="Pass"/><BinCode>{row}</BinCode></BinCodeMap></Overlay>'
        "</SubstrateMap>"
    )


def test_declared_counts_that_differ_are_refused_with_both_numbers() -> None:
    text = SMALL.e142().replace('BinCode="1" BinCount="5"', 'BinCode="1" BinCount="6"')
    where, why = refusal(text)
    assert (where, why) == ("line 5, BinDefinition", "Bin '1' is declared with 6 dies, but the grid has 5.")
    assert refusal(SMALL.text().replace("Passing: 6", "Passing: 7"))[1] == "7 passing dies are declared, but the grid has 6."


@pytest.mark.parametrize(("good", "said"), [
    ("6", None), (" ", None), ("7", "7 passing dies are declared, but the grid has 6."), ("some", "GoodDevices is 'some', which is no whole number."),
])  # fmt: skip
def test_good_devices_that_a_file_declares_are_those_that_it_has(good: str, said: str | None) -> None:
    """Of the passing dies a file gives one number more: of the device (G85), of the substrate (E142)."""
    substrate = f'<Substrates><Substrate SubstrateId="W-7"><GoodDevices>{good}</GoodDevices></Substrate></Substrates><SubstrateMaps>'
    e142 = SMALL.e142().replace("<SubstrateMaps>", substrate)
    for text in (SMALL.g85().replace("<Device ", f'<Device GoodDevices="{good}" '), e142):
        assert "GoodDevices" in text
        if said is None:
            assert read(text).passing == 6
        else:
            assert refusal(text)[1] == said


def test_declared_sizes_that_differ_are_refused() -> None:
    assert "4 columns" in refusal(SMALL.e142().replace('X="4"', 'X="5"'))[1] or "5 columns" in refusal(SMALL.e142().replace('X="4"', 'X="5"'))[1]
    assert refusal(SMALL.g85().replace('Rows="3"', 'Rows="4"'))[1] == "4 rows are declared, but the grid has 3."


def test_a_code_without_a_quality_asks_for_the_passing_bins() -> None:
    text = SMALL.e142().replace(' BinQuality="Pass"', "").replace(' BinQuality="Fail"', "")
    assert "does not say whether these bins pass: '1', '7', 'A', 'a', 'x'" in refusal(text)[1]
    found = read(text, passing=("1",))
    assert (found.passing, found.failing) == (5, 4)
    assert "only" in refusal(text, passing=("01",))[1]


def test_the_file_speaks_before_the_part_of_the_wafer() -> None:
    assert read(SMALL.e142(), passing=("7",)).passing == 6


def test_an_unknown_null_code_must_be_stated() -> None:
    text = "origin: ul\n.11.\n1711\n"
    assert "which code means that there is no die" in refusal(text, passing=("1",))[1]
    assert read(text, passing=("1",), null=".").gross == 6
    assert read(text, passing=("1",), null="").gross == 8
    assert "has only" in refusal(text, passing=("1",), null="#")[1]


def test_a_null_code_that_cannot_be_seen_has_a_word() -> None:
    text = "origin: ul\nnull: {}\n.11.\n1711\n"
    assert read(text.format("none"), passing=("1",)).gross == 8
    assert refusal(text.format(""), passing=("1",)) == ("line 2, null", "The null code is empty.")
    assert [null_code(words) for words in (None, "", "none", "None", "space", "'none'", ".")] == [None, None, "", "", " ", "none", "."]


def test_several_wafers_in_one_file_are_all_read() -> None:
    two = SMALL.e142(wafer="W-1").replace("</SubstrateMaps></MapData>", "")
    two += SMALL.e142(wafer="W-2").split("<SubstrateMaps>")[1]
    assert [m.wafer for m in read_maps(two.encode(), "x")] == ["W-1", "W-2"]
    assert "appears twice" in refusal(two.replace("W-2", "W-1"))[1]
    text = "lot: L9\norigin: ul\nnull: .\npassing bins: 1\nwafer: A\n.1\n11\n\nwafer: B\nlot: L8\n11\n17\n"
    assert [(m.wafer, m.lot, m.gross, m.passing) for m in read_maps(text.encode(), "x")] == [("A", "L9", 3, 3), ("B", "L8", 4, 3)]
    csv = "x;y;bin;wafer;quality\n1;1;a;A;pass\n2;1;b;A;fail\n\n1;1;a;B;pass\n"
    assert [(m.wafer, m.gross, m.passing) for m in read_maps(csv.encode(), "x")] == [("A", 2, 1), ("B", 1, 1)]
    g85 = f"<Maps>{SMALL.g85()}{SMALL.g85().replace('W-7', 'W-8')}</Maps>"
    assert [m.wafer for m in read_maps(g85.encode(), "x")] == ["W-7", "W-8"]


def test_wrappers_and_odd_namespaces_do_not_matter() -> None:
    for space in ("urn:semi-org:xsd.E142-1.V0211.SubstrateMap", "urn:else", ""):
        text = SMALL.e142().replace("urn:semi-org:xsd.E142-1.V1005.SubstrateMap", space)
        assert dies_of(read(f'<?xml version="1.0"?>\n<e:Envelope xmlns:e="urn:e"><e:Body>{text}</e:Body></e:Envelope>')) == SMALL.dies()
    prefixed = SMALL.e142().replace("<", "<m:").replace("<m:/", "</m:").replace("xmlns=", "xmlns:m=")
    assert dies_of(read(prefixed)) == SMALL.dies()


def test_rows_of_another_format_among_the_rows_are_no_rows() -> None:
    row = next(line for line in SMALL.e142().splitlines() if "<BinCode>" in line)
    strange = row.replace("<BinCode>", '<x:BinCode xmlns:x="urn:x">').replace("</BinCode>", "</x:BinCode>")
    where, why = refusal(SMALL.e142().replace(row, f"{row}\n{strange}", 1))
    assert "'{urn:x}BinCode'" in why and where.endswith(", BinCode")
    blank = SMALL.e142().replace("<BinCode>", '<BinCode xmlns="">')  # as some writers do
    assert dies_of(read(blank)) == SMALL.dies()


@pytest.mark.parametrize("root", ["{http://www.w3.org/2000/svg}svg", "{urn:epcglobal:epcis:xsd:2}EPCISDocument", "Wafers"])
def test_another_format_is_refused_by_its_root(root: str) -> None:
    space, _, name = root.rpartition("}")
    assert repr(root) in refusal(f'<{name} xmlns="{space[1:]}"><Map/></{name}>')[1]


def test_several_overlays_of_a_wafer_ask_for_the_name() -> None:
    overlay = SMALL.e142().split("<Overlay")[1].split("</Overlay>")[0]
    text = SMALL.e142().replace("</Overlay>", f"</Overlay><Overlay{overlay.replace('Sort', 'Visual')}</Overlay>")
    assert "'Sort', 'Visual'" in refusal(text)[1]
    assert dies_of(read(text, map_name="Visual")) == SMALL.dies()


def test_maps_of_strips_are_passed_over() -> None:
    why = refusal(SMALL.e142().replace('SubstrateType="Wafer"', 'SubstrateType="Strip"'))[1]
    assert "of type 'Strip'" in why and "none of a wafer" in why


@pytest.mark.parametrize(
    ("right", "wrong", "why"),
    [
        (' Y="', ' Z="', "It has no Y."),
        (' X="', ' X="three ', "X is 'three "),
        ('BinCount="', 'BinCount="about ', "BinCount is 'about "),
        ('BinCode="x"', 'BinCode="0x"', "('7', '0x')"),
        ('BinType="Ascii" NullBin="."', 'BinType="Integer2" NullBin=".."', "('..', 'x')"),
    ],
)
def test_a_number_or_code_that_does_not_fit_is_named(right: str, wrong: str, why: str) -> None:
    assert why in refusal(SMALL.e142().replace(right, wrong, 1))[1]


def test_a_code_that_is_cut_off_is_said_to_be() -> None:
    odd = re.sub("<BinCode>.*?<", "<BinCode>01010<", SMALL.e142().replace("Ascii", "HexaDecimal").replace('NullBin="."', 'NullBin="FF"'))
    odd = re.sub("<BinDefinitions>.*</BinDefinitions>", "", odd, flags=re.S)
    assert refusal(odd)[1] == "This row has 5 characters, and a code has 2: the last is cut off."


def test_entities_and_document_types_are_refused() -> None:
    bomb = '<!DOCTYPE d [<!ENTITY a "1111111111"><!ENTITY b "&a;&a;&a;&a;">]>' + SMALL.e142().replace("11", "&b;")
    assert "document type" in refusal(bomb)[1]
    assert "document type" in refusal(" " * 5000 + '<!DOCTYPE d SYSTEM "file:///etc/passwd">' + SMALL.e142())[1]
    assert "document type" in refusal(("<!DOCTYPE d><d/>").encode("utf-16"))[1]
    assert refusal(SMALL.e142().replace("<BinDefinitions>", "<BinDefinitions>&x;"))[0] == "line 5"


def test_a_row_is_named_by_its_line() -> None:
    assert refusal(SMALL.e142().replace("1a1A", "1a1"))[0] == "line 12, BinCode"
    assert refusal(SMALL.e142().replace("<BinCode>1a1A", "<BinCode>1a<b/>A"))[0] == "line 12, BinCode"
    assert refusal(SMALL.text().replace("1a1A", "1a1"))[0] == "line 16"
    where, why = refusal(SMALL.g85().replace("001 003 001 002", "001 003 001 0x2"))
    assert (where, why) == ("line 2, Row", "'0x2' is not a code of type decimal.")


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"PK\x03\x04aaaa", "zip"),
        (b"\x1f\x8baaaa", "gzip"),
        (b"%PDF-1.7", "PDF"),
        (b"  \n", "empty"),
        (b"", "empty"),
        (b"x,y,bin\n1,\0", "zero"),
    ],
)
def test_files_of_another_format_are_named(head: bytes, kind: str) -> None:
    assert kind in refusal(head)[1]


def test_wrong_encodings_are_refused_by_line() -> None:
    assert refusal("x,y,bin\n1,1,a\n1,2,µ".encode("latin-1"), passing=("a",))[0] == "line 3"
    assert read_maps("x,y,bin\n1,1,a\n".encode("utf-16"), "x", Stated(passing=("a",)))[0].gross == 1


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("x,y,bin\n1,1\n", "line 2"),
        ("x,y,bin\n1,1,a,4\n", "line 2"),
        ("x,y,bin\n1,1,a\n1,1,b\n", "line 3"),
        ("x,y,bin\n1,1,a\n1,1.5,b\n", "line 3, column y"),
        ("x,y,bin\n1,1,a\nNaN,1,b\n", "line 3, column x"),
        ("x,y,bin\n1,1,a\n१,1,b\n", "line 3, column x"),
        ("x,y,bin\n1,1,a\n1,2,\n", "line 3, column die bin"),
        ("x,y,bin\n1,1,a\n1,2,123456789\n", "line 3, column die bin"),
        ("x,y,bin\n1,1,a\n999999999,999999999,a\n", "line 3, column x"),
        ("x,y,bin\n1,1,a\n30000,30000,a\n", "line 3"),
        ("x,y,x,bin\n1,1,1,a\n", "line 1, column 3"),
        ('x,y,bin\n1,1,"a\n2,2,a"\n', "line 2"),
        ("x,y,bin\n", "line 1"),
        ("hello, there\nx,y,bin\n1,1,a,\n", "line 3"),
    ],
)
def test_csv_names_the_line_and_column_at_fault(text: str, where: str) -> None:
    assert refusal(text, passing=("a",))[0] == where


def test_csv_takes_quoted_fields_and_notes_before_the_header() -> None:
    found = read('Wafer lot: 7\n\n"x","y","Bin Code","Wafer"\n"-1","2","a","W;1"\n"0","2","b","W;1"\n', passing=("a",))
    assert (found.wafer, found.x_min, found.y_min, found.gross, found.passing) == ("W;1", -1, 2, 2, 1)


def test_csv_null_bins_can_be_stated() -> None:
    assert read("x,y,bin\n1,1,a\n1,2,n\n", passing=("a",), null="n").gross == 1


def test_headings_and_broken_grids_are_not_taken_for_dies() -> None:
    base = {"origin": "ul", "null": ".", "passing": ("1",)}
    assert refusal("WXYZ\n.11.\n1111\n.11.\n", **base)[0] == "line 1"
    assert refusal(".11.\n\n1111\n", **base)[0] == "line 2"
    assert refusal(".11.\n1111\nend: 1\n.11.\n", **base)[0] == "line 4"
    assert refusal("ab=1\n.11.\n1111\n", **base)[0] == "line 1"
    assert refusal(".11.\n1111\n.1\n", **base)[0] == "line 3"


def test_spaces_for_no_die_need_a_certain_size() -> None:
    base = {"origin": "ul", "null": " ", "passing": ("1",)}
    assert "cut off" in refusal(" 11\n1111\n 11\n", **base)[1]
    assert dies_of(read(" 11\n1111\n 11\n", columns=4, **base)) == dies_of(read(" 11 \n1111\n 11 \n", **base))
    assert "blank lines" in refusal("\n 11 \n1111\n", **base)[1]
    assert read("\n 11 \n1111\n", rows=2, **base).gross == 6
    assert "tab" in refusal("\t11 \n1111\n", **base)[1]


@pytest.mark.parametrize("columns", ["99999999", "999999999"])
def test_a_few_bytes_that_declare_many_columns_take_no_memory(columns: str) -> None:
    """Where a space is no die, rows are filled up with spaces to the length that the file declares."""
    grid = f"origin: ul\nnull: space\ncolumns: {columns}\n 1\n"
    g85 = f'<Map><Device NullBin=" " OriginLocation="2" Columns="{columns}"><Data><Row> 1</Row></Data></Device></Map>'
    tracemalloc.start()
    try:
        for text in (grid, g85, g85.replace('NullBin=" "', f'NullBin="{" " * 5000}"').replace(columns, "9999")):
            assert "more than 10000000 positions" in (why := refusal(text)[1]) or "at most 8 are read" in why
        assert tracemalloc.get_traced_memory()[1] < 2_000_000
    finally:
        tracemalloc.stop()


def test_spaces_that_may_be_cut_off_at_either_end_are_asked_for() -> None:
    """A writer that trims its rows shifts the dies of all but the longest."""
    where, why = refusal("11\n1111\n11\n", columns=4, rows=3, origin="ul", null=" ", passing=("1",))
    assert (where, "at which end" in why) == ("line 1", True)
    g85 = '<Map><Device NullBin=" " OriginLocation="2" Rows="2" Columns="4"><Bin BinCode="1" BinQuality="Pass"/><Data>{}</Data></Device></Map>'
    assert "at which end" in refusal(g85.format("<Row>11</Row><Row>1111</Row>"))[1]
    assert dies_of(read(g85.format("<Row> 11</Row><Row>1111</Row>")))[1, 0] == "1"


@pytest.mark.parametrize("words", ["not good", "does not pass", "no pass", "pass: no", "good or bad", "isn't good", "fail, was good"])
def test_a_bin_that_is_denied_or_is_both_does_not_pass_unasked(words: str) -> None:
    assert refusal(f"bin 1: pass\nbin 2: {words}\n\n.12.\n", origin="ul", null=".")[0] == "line 2, bin 2"


@pytest.mark.parametrize(("words", "passes"), [("good, 1 die", True), ("PASS 2nd", True), ("fail: no light", False), ("1 bad", False)])
def test_the_words_of_a_bin_say_whether_it_passes(words: str, passes: bool) -> None:
    assert read(f"bin 1: pass\nbin 2: {words}\n\n.12.\n", origin="ul", null=".").passing == 1 + passes


def test_codes_of_several_characters() -> None:
    base = {"origin": "ul", "passing": ("01",)}
    spaced = read(".. 01 01\n07 01 ..\n", null="..", **base)
    tight = read("..0101\n0701..\n", null="..", **base)
    ragged = read(".  01 01\n07 01 .\n", null=".", **base)
    assert dies_of(spaced) == dies_of(tight) == dies_of(ragged) == {(1, 0): "01", (2, 0): "01", (0, 1): "07", (1, 1): "01"}


@settings(max_examples=200)
@example(b"<")
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_anything_else_is_a_refusal(data: bytes) -> None:
    read_or_refuse(data)


def test_further_columns_of_numbers_are_kept_with_the_dies() -> None:
    """A wavelength with a comma as decimal mark, an empty field, a column of words that is no number, a die that appears twice with the same."""
    text = "wafer;x;y;bin;Wavelength nm;note\nW1;1;1;1;621,5;a\nW1;2;1;1;;b\nW1;2;2;9;619,25;c\nW1;1;1;1;621,5;d\n"
    (told,) = read_maps(text.encode(), "map.csv", Stated(passing=("1",)))
    assert list(told.values) == ["wavelengthnm"]
    for one in (told, load(dump(told))):
        assert one.values_at(1, 1) == {"wavelengthnm": 621.5}
        assert one.values_at(2, 1) == {} and one.values_at(9, 9) == {}
        assert one.values_at(2, 2) == {"wavelengthnm": 619.25}


@pytest.mark.parametrize("bins", [2, 4, 5, 12, 40])
@pytest.mark.parametrize("unnamed", [False, True])
def test_two_letter_codes_are_read_the_same_however_many_there_are_and_whether_the_file_names_them(bins: int, unnamed: bool) -> None:
    """A few named codes are compared, more are looked up, and a code that the file writes in other letters is still that code."""
    drawn = np.random.default_rng(bins).integers(0, bins + 1, (9, 11))
    rows = "".join(f"<BinCode>{''.join('FF' if not n else f'{n:02x}' if unnamed else f'{n:02X}' for n in row)}</BinCode>" for row in drawn)
    defined = "".join(f'<BinDefinition BinCode="{n:02X}" BinQuality="{"Pass" if n == 1 else "Fail"}"/>' for n in range(1, bins + 1))
    found = read(
        '<MapData><SubstrateMaps><SubstrateMap SubstrateType="Wafer" SubstrateId="W" OriginLocation="UpperLeft"><Overlay><BinCodeMap '
        f'BinType="HexaDecimal" NullBin="FF"><BinDefinitions>{defined}</BinDefinitions>{rows}</BinCodeMap></Overlay>'
        "</SubstrateMap></SubstrateMaps></MapData>"
    )
    assert dies_of(found) == {(x, y): f"{n:02X}" for y, row in enumerate(drawn.tolist()) for x, n in enumerate(row) if n}
    assert [entry.count for entry in found.table[1:]] == [int((drawn == n).sum()) for n in range(1, bins + 1)]
