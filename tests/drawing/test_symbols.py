import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from app.drawing.symbols import data_matrix, qr
from app.errors import BadInput
from tests.drawing.svg_reading import read_symbol

MESSAGE = b"[)>\x1e06\x1dPABC-123\x1d1PXYZ-RGB-5050\x1dQ4500\x1d1TL254012A\x1d10D2540\x1d4LTW\x1e\x04"


@pytest.mark.parametrize("draw", [data_matrix, qr])
def test_a_scanner_reads_what_was_drawn(draw: object) -> None:
    assert read_symbol(draw(MESSAGE, "label")).bytes == MESSAGE  # type: ignore[operator]
    assert read_symbol(draw("L26-004217-6", "lot"), dots=2).bytes == b"L26-004217-6"  # type: ignore[operator]


@settings(max_examples=40, deadline=None)
@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=60))
def test_any_label_text_comes_back(text: str) -> None:
    assert read_symbol(data_matrix(text, "text")).bytes.decode() == text


def test_a_scanner_knows_a_label_message() -> None:
    """ISO/IEC 15434 is announced by the envelope alone."""
    found = read_symbol(data_matrix(MESSAGE, "label"))
    assert found.content_type == zxingcpp.ContentType.ISO15434
    assert found.format == zxingcpp.BarcodeFormat.DataMatrix


def test_the_picture_has_its_size_in_millimetres_and_a_title() -> None:
    root = etree.fromstring(data_matrix("L26-004217-6", "Lot <L26> & co", module_mm=0.5))
    _, _, columns, rows = root.get("viewBox").split()
    assert columns == rows, "a Data Matrix of ours is square"
    assert root.get("width") == f"{int(columns) * 0.5:g}mm" == root.get("height")
    assert root[0].tag.endswith("title") and root[0].text == "Lot <L26> & co"


def test_the_picture_carries_nothing_but_the_symbol() -> None:
    svg = data_matrix("L26-004217-6", "Lot")
    assert {etree.QName(element).localname for element in etree.fromstring(svg).iter()} == {"svg", "title", "path"}
    assert "style" not in svg and "<?xml" not in svg and "<!DOCTYPE" not in svg


@pytest.mark.parametrize("draw", [data_matrix, qr])
@pytest.mark.parametrize("message", ["", "x" * 8000])
def test_what_does_not_fit_one_symbol_is_refused(draw: object, message: str) -> None:
    with pytest.raises(BadInput) as refusal:
        draw(message, "title")  # type: ignore[operator]
    assert refusal.value.reasons[0].where == "message"
