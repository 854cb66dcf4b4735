"""Messages and symbols on labels against what others published; each names its source."""

import pytest
from lxml import etree

from app.drawing.symbols import data_matrix
from app.labels.messages import decode, encode
from tests.drawing.svg_reading import read_symbol

# Envelope of ISO/IEC 15434 format 06, byte for byte as in many public parsers (the standard's text was not seen); fields are ours.
ENVELOPES = [
    ([("Q", "4500")], "5B293E1E30361D51343530301E04"),
    (
        [("P", "ABC-123"), ("1P", "XYZ-RGB-5050"), ("Q", "4500"), ("1T", "L254012A"), ("10D", "2540"), ("4L", "TW")],
        "5B293E1E30361D504142432D3132331D315058595A2D5247422D353035301D51343530301D31544C323534303132411D313044323534301D344C54571E04",
    ),
]


@pytest.mark.parametrize(("fields", "octets"), ENVELOPES)
def test_the_envelope_is_the_published_one(fields: list[tuple[str, str]], octets: str) -> None:
    message = encode(fields)
    assert message.hex().upper() == octets
    assert decode(message) == fields


def test_a_published_message_is_read() -> None:
    """A pharmacy code in the same envelope, as printed in public descriptions of that code (seen in public parsers)."""
    message = b"[)>\x1e06\x1d9N111234567842\x1d1T1A234B5\x1dD151231\x1dS1234567890123456\x1e\x04"
    assert decode(message) == [("9N", "111234567842"), ("1T", "1A234B5"), ("D", "151231"), ("S", "1234567890123456")]
    assert read_symbol(data_matrix(message, "published")).bytes == message


# ISO/IEC 16022 Table 7: figures that fit a square symbol of so many modules a side (from memory; others' encoders agree).
CAPACITY = [(10, 6), (12, 10), (14, 16), (16, 24), (18, 36), (20, 44), (22, 60), (24, 72), (26, 88), (32, 124), (36, 172), (40, 228), (44, 288)]


@pytest.mark.parametrize(("side", "figures"), CAPACITY)
def test_symbols_hold_as_many_figures_as_the_standard_says(side: int, figures: int) -> None:
    def side_of(message: str) -> int:
        return int(etree.fromstring(data_matrix(message, "figures")).get("viewBox").split()[2]) - 2  # less the quiet zone

    assert side_of("1" * figures) == side
    assert side_of("1" * (figures + 1)) > side
