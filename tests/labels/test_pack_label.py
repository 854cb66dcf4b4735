"""The label of a pack: its message is read back from the symbol that stands on the page."""

import re

import numpy as np
import pytest
import zxingcpp
from PIL import Image

from app.db import House
from app.drawing.symbols import data_matrix
from app.errors import Refused
from app.floor.loose import split_loose
from app.labels.messages import decode
from app.labels.pack_label import pack_label
from app.packing.fill import Part, fill_pack
from app.packing.rework import re_reel
from app.packing.shipping import ship, take_back
from tests.genealogy.made import client_of
from tests.races.test_races import packed
from tests.small_factory import Factory, Order, named_lot, named_pack


def test_the_message_is_read_back_from_the_symbol(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, lot = packed(factory)
    with house.reading() as session:
        label = pack_label(session, pack)
    fields = dict(decode(label.message))
    assert (fields["1P"], fields["Q"], fields["3S"], fields["1T"]) == ("P1", "30", pack.code, lot.code)
    assert label.caution is not None
    assert "level 3" in label.caution
    read = zxingcpp.read_barcodes(_raster(data_matrix(label.message, "label")))
    assert read[0].bytes == label.message


def test_an_emptied_pack_has_no_label(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    new = factory.do("re_reel", lambda s, by: re_reel(s, by, pack).item)
    with house.reading() as session:
        with pytest.raises(Refused, match="It is empty"):
            pack_label(session, pack)
        assert dict(decode(pack_label(session, named_pack(session, new)).message))["Q"] == "30"


def test_a_diverted_pack_says_the_numbers_of_whom_it_went_to(house: House) -> None:
    orders = [("order", Order(number=name[0] + "-1", customer=name, product="P1", units=30)) for name in ("Arden Lights", "Brook Signs")]
    factory = Factory(house).load(*orders)
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory, order="A-1")

    def order_on_label() -> str | None:
        with house.reading() as session:
            return next((field.value for field in pack_label(session, pack).fields if field.identifier == "K"), None)

    assert order_on_label() == "A-1"
    factory.do("ship", lambda s, by: ship(s, by, [pack], "Brook Signs", "B-1", "they were out of stock"))
    assert order_on_label() == "B-1"
    factory.do("take_back", lambda s, by: take_back(s, by, pack).item)
    assert order_on_label() == "A-1"


def test_what_the_symbol_can_not_say_stands_in_words(house: House) -> None:
    factory = Factory(house).load(("order", Order(number="注文-1", customer="Arden Lights", product="P1", units=30)))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    factory.do("ship", lambda s, by: ship(s, by, [pack], "Arden Lights", "注文-1"))
    with house.reading() as session:
        label = pack_label(session, pack)
    assert label.unsaid == ("customer's order",)
    assert "注文-1" in [field.value for field in label.fields]
    assert [identifier for identifier, _ in decode(label.message)] == [field.identifier for field in label.fields if field.identifier != "K"]
    page = client_of(factory).get(f"/api/v1/packs/{pack.code}/label").json()
    assert page["unsaid"] == ["customer's order"]


@pytest.mark.parametrize(("lots", "words"), [(4, ["lot"] * 4), (5, ["lot"] * 3 + ["lot, and 1 more"]), (6, ["lot"] * 3 + ["lot, and 2 more"])])
def test_of_more_lots_than_there_is_room_for_the_last_says_so(house: House, lots: int, words: list[str]) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    _, lot = packed(factory)
    parts = [Part(lot, 5)] + [
        Part(factory.do("split_loose", lambda s, by: named_lot(s, split_loose(s, by, lot.id, 5).item)), 5) for _ in range(lots - 1)
    ]
    verb = lambda s, by: named_pack(s, fill_pack(s, by, factory.things["Taper"], parts, line_clear=True, short_reason="mixed").item)  # noqa: E731
    pack = factory.do("fill_pack", verb, fact=True)
    with house.reading() as session:
        label = pack_label(session, pack)
    assert [field.words for field in label.fields if field.identifier == "1T"] == words
    assert [identifier for identifier, _ in decode(label.message)].count("1T") == 4


def _raster(svg: str) -> Image.Image:
    """Our own drawing is closed rectangles of whole modules: `M x y h w v 1 h -w z`."""
    columns, rows = map(int, re.search(r'viewBox="0 0 (\d+) (\d+)"', svg).groups())  # type: ignore[union-attr]
    dark = np.full((rows, columns), 255, dtype=np.uint8)
    for x, y, width in re.findall(r"M(\d+)[ ,](\d+)h(\d+)v1", svg):
        dark[int(y), int(x) : int(x) + int(width)] = 0
    return Image.fromarray(np.kron(dark, np.full((8, 8), 1, dtype=np.uint8)))
