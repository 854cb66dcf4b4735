import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BadInput
from app.labels.messages import decode, encode

identifiers = st.from_regex(r"[0-9]{0,3}[A-Z]", fullmatch=True)
values = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=40)


@given(st.lists(st.tuples(identifiers, values), min_size=1, max_size=12))
def test_what_was_written_is_read(fields: list[tuple[str, str]]) -> None:
    assert decode(encode(fields)) == fields


def test_figures_belong_to_the_identifier() -> None:
    assert decode(b"[)>\x1e06\x1d10D2540\x1d1T1A2\x1dT1A2\x1e\x04") == [("10D", "2540"), ("1T", "1A2"), ("T", "1A2")]


GOOD = b"[)>\x1e06\x1dQ4500\x1e\x04"


@pytest.mark.parametrize(
    ("message", "place", "why"),
    [
        (b"", "byte 1", "begins with"),
        (b"Q4500", "byte 1", "begins with"),
        (GOOD[:-2], "byte 12", "end is missing"),
        (GOOD[:-1], "byte 13", "end is missing"),
        (b"[)>\x1e06\x1dQ4500\x1eEOT", "byte 16", "end is missing"),
        (GOOD + b"\r\n", "byte 16", "end is missing"),
        (b">[)>06\x1dQ4500\x1e\x04", "byte 1", "begins with"),
        (b"[)>\x1e05\x1d0112345678901231\x1e\x04", "byte 5", "format '05'"),
        (b"[)>\x1e06Q4500\x1e\x04", "byte 7", "group separator"),
        (b"[)>\x1e06\x1e\x04", "byte 7", "group separator"),
        (b"[)>\x1e06\x1dQ4500\x1d\x1e\x04", "field 2", "empty"),
        (b"[)>\x1e06\x1dQ\x1e\x04", "field 1 (Q)", "empty"),
        (b"[)>\x1e06\x1d4500\x1e\x04", "field 1", "data identifier"),
        (b"[)>\x1e06\x1dq4500\x1e\x04", "field 1", "data identifier"),
        (b"[)>\x1e06\x1d1234Q1\x1e\x04", "field 1", "data identifier"),
        (b"[)>\x1e06\x1dQ4500\x1e06\x1dQ4500\x1e\x04", "field 1 (Q)", "printable"),
        (b"[)>\x1e06\x1dQ45\xe900\x1e\x04", "byte 11", "ASCII"),
    ],
)
def test_what_only_looks_like_a_message_is_refused_at_its_place(message: bytes, place: str, why: str) -> None:
    with pytest.raises(BadInput, match=why) as refusal:
        decode(message)
    assert refusal.value.reasons[0].where == place
    assert refusal.value.now


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ([], "fields"),
        ([("Q", "1"), ("P", "")], "field 2 (P)"),
        ([("P", "A\x1dB")], "field 1 (P)"),
        ([("P", "Größe")], "field 1 (P)"),
        ([("", "1")], "field 1"),
        ([("p", "1")], "field 1"),
    ],
)
def test_what_would_not_be_read_again_is_not_written(fields: list[tuple[str, str]], place: str) -> None:
    with pytest.raises(BadInput) as refusal:
        encode(fields)
    assert refusal.value.reasons[0].where == place
