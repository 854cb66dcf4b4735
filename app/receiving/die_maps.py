"""The one door for die maps: bytes of a file to maps. The format is told by the content, never by the name.

Start here; `die_map.py` says what a map is and how its coordinates count, `map_check.py` what is refused.
"""

from app.errors import bad_input
from app.receiving.delimited import as_utf8, begins_as_xml
from app.receiving.die_map import Bin, DieMap, Stated, dump, load
from app.receiving.die_map_csv import find_map_header, read_csv_maps
from app.receiving.die_map_text import read_text_maps
from app.receiving.die_map_xml import read_xml_maps
from app.receiving.other_formats import refuse_other_formats

__all__ = ["Bin", "DieMap", "Stated", "dump", "load", "read_maps"]

NOTHING_STATED = Stated()


def read_maps(data: bytes, name: str, stated: Stated = NOTHING_STATED) -> list[DieMap]:
    """All wafers of one file: SEMI E142 XML, SEMI G85 XML, text grid or CSV. `name` names it in refusals."""
    what = f"The die map {name} is not understood"
    refuse_other_formats(data, what, "Send the die map itself: XML, text grid or CSV.")
    if not data.strip():
        raise bad_input(what, "the whole file", "The file is empty.", "Send it again.")
    maps = _read(data, what, stated)
    _refuse_twice(maps, what)
    if stated.wafer and len(maps) > 1:
        why = f"The file has {len(maps)} wafers, but one was stated: {stated.wafer!r}."
        raise bad_input(what, "stated wafer", why, "Leave the statement out.")
    return maps


def _read(data: bytes, what: str, stated: Stated) -> list[DieMap]:
    if begins_as_xml(data):
        return read_xml_maps(data, what, stated)
    plain = as_utf8(data, what)
    text = plain.decode()
    header = find_map_header(text)
    if header is not None:
        return read_csv_maps(plain, what, stated, *header)
    return read_text_maps(text, what, stated)


def _refuse_twice(maps: list[DieMap], what: str) -> None:
    seen: set[str | None] = set()
    for each in maps:
        if each.wafer in seen and len(maps) > 1:
            which = f"The wafer {each.wafer!r} appears twice" if each.wafer else "Several maps name no wafer"
            raise bad_input(what, f"wafer {each.wafer}", f"{which} in the file.", "Keep one map of each wafer, each with its name.")
        seen.add(each.wafer)
