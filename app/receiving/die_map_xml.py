"""Reads SEMI E142 and SEMI G85 die maps. Names of elements and attributes as seen in public files; nothing else of the standards was read.

Rows are printed from the top, codes from the left, whatever the origin is (G85: from memory).
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import prod

from app.errors import bad_input, short
from app.receiving.die_map import DieMap, Stated
from app.receiving.map_check import Definition, Found, Size, check_map
from app.receiving.map_codes import Drawn, Rows, fill_up, read_rows, read_separated_rows
from app.receiving.map_frame import Told
from app.receiving.outside_xml import Element, attributes, by_name, children, children_of_one_namespace, inside, place, read_xml

_ById = dict[str | None, Element]
_BIN_TYPES = {"ascii": 1, "decimal": 3, "hexadecimal": 2, "integer2": None}  # characters of a code where nothing else tells
_NUMBERS = {"x": "X", "y": "Y", "columns": "Columns", "rows": "Rows", "bincount": "BinCount", "gooddevices": "GoodDevices"}
_COUNTED = {"bincount": "dies of this bin", "gooddevices": "dies that pass"}


@dataclass(frozen=True)
class _Codes:
    """What decides how rows of codes are read."""

    bin_type: str
    null: str | None
    definitions: tuple[Definition, ...]
    where: str


def read_xml_maps(data: bytes, what: str, stated: Stated) -> list[DieMap]:
    """All wafers of an E142 or G85 file, whatever is wrapped around them."""
    root = read_xml(data, what)
    substrate_maps, substrates, layouts, devices = by_name(root, "SubstrateMap", "Substrate", "Layout", "Device")
    if substrate_maps:
        other = next((each for each in devices if inside(each, "Row")), None)
        if other is not None:
            raise bad_input(what, place(other), "It has maps of two kinds, SEMI E142 and SEMI G85.", "Send each kind as a file of its own.")
        return _read_e142(substrate_maps, substrates, layouts, what, stated)
    if devices:
        return [_read_g85(device, what, stated) for device in devices]
    why = f"No die map was found in it: its root is {root.tag!r}."
    raise bad_input(what, f"line {root.sourceline}", why, "Expected SubstrateMap elements (SEMI E142) or Map and Device (SEMI G85).")


# SEMI E142


def _read_e142(elements: list[Element], substrates: list[Element], layouts: list[Element], what: str, stated: Stated) -> list[DieMap]:
    by_id = {attributes(each).get("substrateid"): each for each in substrates}
    layout_by_id = {attributes(each).get("layoutid"): each for each in layouts}
    maps = [check_map(found, stated) for found in _found_in_e142(elements, by_id, layout_by_id, what, stated)]
    if not maps:
        types = ", ".join(sorted({repr(attributes(each).get("substratetype", "Wafer")) for each in elements}))
        why = f"It has substrate maps, of type {short(types)}, but none of a wafer with a BinCodeMap."
        raise bad_input(what, place(elements[0]), why, "Expected a SubstrateMap of SubstrateType Wafer with bin codes.")
    return maps


def _found_in_e142(elements: list[Element], substrates: _ById, layouts: _ById, what: str, stated: Stated) -> Iterator[Found]:
    for element in elements:
        told = attributes(element)
        overlay = _one_overlay(element, f"{what}, wafer {told.get('substrateid')}", stated)
        if overlay is None or told.get("substratetype", "Wafer").strip().lower() not in ("wafer", "frame"):
            continue
        wafer = _text(told.get("substrateid"))
        name = f"{what}, wafer {wafer}" if wafer else what
        _refuse_from_below(element, told.get("substrateside"), name)
        codes = _codes(overlay, "BinDefinition", name)
        rows = children_of_one_namespace(overlay, "BinCode", name)
        columns_rows = _layout_size(layouts, told.get("layoutspecifier"), told.get("orientation"), name)
        drawn = _drawn(rows, codes, name, columns_rows[0][0] if columns_rows else None)
        substrate = substrates.get(told.get("substrateid"))
        yield Found(
            what=name, format="SEMI E142", where=place(element), drawn=drawn, wafer=wafer,
            lot=_child_text(substrate, "LotId"), product=_child_text(substrate, "ProductId"),
            told=replace(_told(element), numbers=False),
            null=codes.null, definitions=codes.definitions, sizes=_fitting(columns_rows, drawn), same=_same(codes.bin_type),
            totals=_good_devices(_child_text(substrate, "GoodDevices"), element if substrate is None else substrate, name),
        )  # fmt: skip


def _one_overlay(element: Element, what: str, stated: Stated) -> Element | None:
    """The BinCodeMap of a SubstrateMap; which one must be stated where there are several."""
    found = {}
    for each in inside(element, "BinCodeMap"):
        name = attributes(each.getparent()).get("mapname", "")
        if name in found:
            raise bad_input(what, place(each), f"Two bin code maps have the same name {name!r}.", "Have the file put right.")
        found[name] = each
    return _choose(found, what, stated)


def _choose(found: dict[str, Element], what: str, stated: Stated) -> Element | None:
    if stated.map_name is not None and found:
        if stated.map_name not in found:
            why = f"There is no map named {stated.map_name!r}; there are {', '.join(map(repr, found))}."
            raise bad_input(what, place(next(iter(found.values()))), why, "State one of these names.")
        return found[stated.map_name]
    if len(found) > 1:
        why = f"There are several maps of this wafer: {', '.join(map(repr, found))}."
        raise bad_input(what, place(next(iter(found.values()))), why, "State the name of the map to use.")
    return next(iter(found.values()), None)


def _refuse_from_below(element: Element, side: str | None, what: str) -> None:
    """Seen from its other side a wafer's left is its right: whether the rows were turned round for that, the file does not say."""
    if (side or "TopSide").strip().lower() not in ("topside", "top", ""):
        raise bad_input(what, place(element), f"SubstrateSide is {side!r}: it shows the wafer from below.", "Have it exported as seen from the top.")


def _layout_size(layouts: _ById, specifier: str | None, orientation: str | None, what: str) -> tuple[Size, ...]:
    """Columns and rows that the layouts on the specifier's path give: of the last one, and of all multiplied."""
    path = [layouts.get(name) for name in (specifier or "").split("/")]
    dimensions = [dimension for layout in path if layout is not None for dimension in children(layout, "Dimension")]
    if len(dimensions) != len(path):
        return ()
    where = place(dimensions[-1])
    told = [attributes(each) for each in dimensions]
    sizes = [tuple(_whole(each, axis, what, where) for axis in ("x", "y")) for each in told]
    every = (prod(columns for columns, _ in sizes), prod(rows for _, rows in sizes))
    turned = orientation is not None and orientation.strip() in ("90", "270", "-90")
    return tuple((x, y, where) for size in (every, sizes[-1]) for x, y in ([size, size[::-1]] if turned else [size]))


def _fitting(options: tuple[Size, ...], drawn: Drawn) -> tuple[Size, ...]:
    """Nothing to complain of where one way to read the layouts fits the grid."""
    rows, columns = drawn.keys.shape
    return () if any(option[:2] == (columns, rows) for option in options) else options[:1]


# SEMI G85


def _read_g85(device: Element, what: str, stated: Stated) -> DieMap:
    told = attributes(device)
    around = attributes(device.getparent()) if device.getparent() is not None else {}
    both = {**around, **told}
    wafer = _text(both.get("waferid")) or _text(both.get("substrateid"))
    name = f"{what}, wafer {wafer}" if wafer else what
    data = _choose({f"{attributes(each).get('mapname', '')}": each for each in _distinct_data(device, name)}, name, stated)
    if data is None:
        raise bad_input(name, place(device), "This Device has no Data with rows.", "Expected Data with a Row for every row of dies.")
    codes = _codes(device, "Bin", name)
    columns = _whole(told, "columns", name, place(device)) if "columns" in told else None
    rows = _whole(told, "rows", name, place(device)) if "rows" in told else None
    drawn = _drawn(children_of_one_namespace(data, "Row", name), codes, name, columns)
    return check_map(
        Found(
            what=name, format="SEMI G85", where=place(device), drawn=drawn, wafer=wafer,
            lot=_text(both.get("lotid")), product=_text(both.get("productid")),
            told=_told(device),
            null=codes.null, definitions=codes.definitions, sizes=((columns, rows, place(device)),), same=_same(codes.bin_type),
            totals=_good_devices(both.get("gooddevices"), device, name),
        ),
        stated,
    )  # fmt: skip


def _distinct_data(device: Element, what: str) -> list[Element]:
    data = inside(device, "Data")
    names = [attributes(each).get("mapname", "") for each in data]
    twice = next((each for n, each in enumerate(data) if names[n] in names[:n]), None)
    if twice is not None:
        raise bad_input(what, place(twice), "Two Data elements have the same map name.", "Have the file put right.")
    return data


# Codes, the same in both


def _told(element: Element) -> Told:
    told = attributes(element)
    return Told(place(element), told.get("originlocation"), told.get("axisdirection"), told.get("orientation"))


def _codes(element: Element, definition: str, what: str) -> _Codes:
    told = attributes(element)
    bin_type = told.get("bintype", "").strip().lower()
    if bin_type and bin_type not in _BIN_TYPES:
        why = f"BinType is {told['bintype']!r}."
        raise bad_input(what, place(element), why, "Expected Ascii, Decimal, HexaDecimal or Integer2.")
    definitions = tuple(_definition(each, what) for each in inside(element, definition))
    null = told.get("nullbin")
    if null is not None and null.strip():
        null = null.strip()
    return _Codes(bin_type, null or None, definitions, place(element))


def _definition(element: Element, what: str) -> Definition:
    told = attributes(element)
    code = told.get("bincode")
    if not code:
        raise bad_input(what, place(element), "This definition has no BinCode.", "Expected BinCode, and BinQuality Pass or Fail.")
    count = told.get("bincount")
    number = None if count is None or not count.strip() else _whole(told, "bincount", what, place(element))
    quality = told.get("binquality")
    return Definition(
        code.strip() or code,
        place(element),
        quality if quality and quality.strip() else None,
        told.get("bindescription", ""),
        number,
    )


def _drawn(elements: list[Element], codes: _Codes, what: str, columns: int | None) -> Drawn:
    blank = any(code and not code.strip() for code in (codes.null, *(entry.code for entry in codes.definitions)))
    if not elements:
        raise bad_input(what, codes.where, "There are no rows of bin codes.", "Expected an element for every row of dies.")
    texts = [each.text or "" for each in elements]
    _refuse_parts(elements, texts, blank, what)
    rows = Rows(texts if blank else [text.strip() for text in texts], lambda n: place(elements[n]))
    if columns and codes.null and not codes.null.strip():  # only where the file says how long rows are
        rows = replace(rows, texts=fill_up(what, rows, columns, len(codes.null)))
    if not blank and any(space in rows.together for space in " \t\n"):
        drawn = read_separated_rows(what, rows)
    else:
        likely = [code for code in (codes.null, *(entry.code for entry in codes.definitions)) if code]
        drawn = read_rows(what, rows, _width(codes, rows, columns, what), codes.bin_type == "hexadecimal", likely)
    _refuse_strange_codes(drawn, codes, rows, what)
    return drawn


def _refuse_parts(elements: list[Element], texts: list[str], blank: bool, what: str) -> None:
    parted = next(filter(len, elements), None)
    if parted is not None:
        raise bad_input(what, place(parted), "This row has elements inside.", "Expected the codes only.")
    told = next((each for each in elements if each.keys() and attributes(each).keys() - {"space"}), None)  # hardly a row has any
    if told is not None:
        why = f"This row has attributes of its own ({', '.join(told.attrib)}), which may say where it belongs."
        raise bad_input(what, place(told), why, "Expected rows from the top, in their order, with the codes only.")
    broken = next((n for n, text in enumerate(texts) if "\n" in text or "\t" in text), None) if blank else None
    if broken is not None:
        why = "This row goes over several lines, and a space is a code of this map: which spaces are dies cannot be told."
        raise bad_input(what, place(elements[broken]), why, "Have every row written on one line.")


def _width(codes: _Codes, rows: Rows, columns: int | None, what: str) -> int:
    """Characters of a code: all that the file tells must agree."""
    told = {len(code): code for code in (codes.null, *(entry.code for entry in codes.definitions)) if code}
    if len(told) > 1:
        why = f"Its codes have different lengths ({', '.join(map(repr, told.values()))}), and the rows have no spaces between codes."
        raise bad_input(what, codes.where, why, "Have the null code and all bin codes written as they stand in the rows.")
    by_type = _BIN_TYPES.get(codes.bin_type)
    by_columns = len(rows.texts[0]) // columns if columns else 0
    width = next(iter(told), None) or by_type or by_columns
    if not width:
        why = "The file does not tell how many characters a code has."
        raise bad_input(what, codes.where, why, "Expected BinType, or NullBin, or the number of columns.")
    return width


def _refuse_strange_codes(drawn: Drawn, codes: _Codes, rows: Rows, what: str) -> None:
    """Codes that the bin type does not have."""
    right = {"decimal": r"\d+", "hexadecimal": r"[0-9a-fA-F]+"}.get(codes.bin_type, r"[^\x00-\x1f\x7f]+")
    strange = next((code for code in drawn.codes if not re.fullmatch(right, code, re.ASCII)), None)
    if strange is not None:
        why = f"{strange!r} is not a code of type {codes.bin_type or 'text'}."
        raise bad_input(what, rows.where(drawn.first_row_with(strange)), why, "Check BinType and the row.")
    unused = [entry for entry in codes.definitions if not re.fullmatch(right, entry.code, re.ASCII)]
    if unused:
        raise bad_input(what, unused[0].where, f"{unused[0].code!r} is not a code of type {codes.bin_type or 'text'}.", "Check BinType.")


def _same(bin_type: str) -> Callable[[str], str]:
    """Decimal 7 and 007, hexadecimal 0a and 0A are one code; in text every character counts."""
    if bin_type == "decimal":
        return lambda code: code.lstrip("0") or "0" if code.isdecimal() else code
    if bin_type == "hexadecimal":
        return lambda code: code.lower().lstrip("0") or "0"
    return str


def _whole(told: Mapping[str, str], name: str, what: str, where: str) -> int:
    text = told.get(name)
    if text is None or not re.fullmatch(r"\s*\d{1,9}\s*", text, re.ASCII):
        why = f"It has no {_NUMBERS[name]}." if text is None else f"{_NUMBERS[name]} is {text!r}, which is no whole number."
        raise bad_input(what, where, why, f"Expected how many {_COUNTED.get(name, 'columns or rows')} there are.")
    return int(text)


def _good_devices(value: str | None, element: Element, what: str) -> tuple[tuple[str, int, str], ...]:
    """How many dies pass, where a file says so (the name from memory)."""
    if _text(value) is None:
        return ()
    return (("passing", _whole({"gooddevices": value or ""}, "gooddevices", what, place(element)), place(element)),)


def _text(value: str | None) -> str | None:
    return value.strip() or None if value else None


def _child_text(element: Element | None, name: str) -> str | None:
    found = [] if element is None else children(element, name)
    return _text(found[0].text) if found else None
