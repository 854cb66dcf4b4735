"""Check characters of our codes, ISO/IEC 7064 MOD 37,36, against published pairs and the standard's own promise."""

import pytest

from app import codes


@pytest.mark.parametrize(
    ("text", "check"),
    [
        # IFPI, Global Release Identifier standard: A1-2425G-ABC1234002-M (from memory; the algorithm was compared with public code)
        ("A12425GABC1234002", "M"),
        # our own arithmetic by the worked method of ISO/IEC 7064
        ("LOT2025W40A", "0"),
        ("P0001", "C"),
        ("WAFER25", "A"),
        ("4500", "7"),
        ("Z", "4"),
    ],
)
def test_check_characters(text: str, check: str) -> None:
    assert codes.check_character(text) == check


def test_every_single_wrong_character_and_every_swap_of_neighbours_is_noticed() -> None:
    """ISO/IEC 7064: a hybrid system detects all single substitutions and all, or nearly all, single transpositions."""
    code = codes.make("lot", "26-004217")
    alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    for n, sign in enumerate(code):
        for other in alphabet if sign != "-" else "":
            if other != sign:
                assert not codes.is_valid(code[:n] + other + code[n + 1 :])
    missed = 0
    for n in range(len(code) - 1):
        if "-" not in code[n : n + 2] and code[n] != code[n + 1]:
            missed += codes.is_valid(code[:n] + code[n + 1] + code[n] + code[n + 2 :])
    assert missed == 0


def test_hyphens_do_not_count() -> None:
    assert codes.check_character("L26-004217") == codes.check_character("L26004217")


def test_one_wrong_character_of_a_code_of_ours_is_known_for_a_misread() -> None:
    assert codes.is_misread("K26-000039-X") and not codes.is_misread(codes.make("pack", "26-000039"))
    assert not any(codes.is_misread(text) for text in ("hello", "Q7/26·0098", "AMB.1", "HC-20881", "PO-7"))


@pytest.mark.parametrize("symbology", ["]C0", "]C1", "]d1", "]d2", "]Q1", "]e0"])
def test_what_a_scanner_sends_of_the_symbology_is_no_part_of_the_code(symbology: str) -> None:
    """ISO/IEC 15424: a bracket, the letter of the symbology, a modifier; a setting of the scanner's that is often on."""
    label = "[)>06P LF-C203SK26-000039-F".replace("K26-000039-F", codes.make("pack", "26-000039"))
    assert codes.on_label(f"{symbology}L26-001350-7") == "L26-001350-7"
    assert codes.on_label(symbology + label) == codes.make("pack", "26-000039")
    assert codes.on_label("]d") == "]d", "too short for one"
