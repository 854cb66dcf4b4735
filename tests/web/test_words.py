"""Codes in a sentence stay whole; what is too long for that may break."""

from app.web.words import coded

LONG = "LED-ADDRESSABLE-WHITE-4000K-CRI90-3535-WITH-DRIVER-R2-2026-ROW"


def test_a_code_stays_whole_and_a_long_part_number_may_break() -> None:
    """One of sixty characters that can't break runs over what stands beside it."""
    assert coded("Lot L26-004217-6, wafer TW-0412-07") == (
        'Lot <span class="code">L26-004217-6</span>, wafer <span class="code">TW-0412-07</span>'
    )
    assert coded("was due 2026-11-26, 8 h") == 'was due <span class="code">2026-11-26</span>, 8 h'
    assert coded(f"{LONG} of L26-004217-6") == f'{LONG} of <span class="code">L26-004217-6</span>'
