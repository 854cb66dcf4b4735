"""A file of another format altogether, told by its first bytes: no line of it is to be corrected, something else is to be sent."""

from app.errors import bad_input

_BEGINNINGS = {
    b"PK\x03\x04": "a zip archive, or a workbook or other office document",
    b"\xd0\xcf\x11\xe0": "a workbook or other document of an old office program",
    b"\x1f\x8b": "a gzip archive",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
}


def refuse_other_formats(head: bytes, what: str, now: str) -> None:
    """`what` begins the words of a refusal, `now` says what to send."""
    for start, kind in _BEGINNINGS.items():
        if head.startswith(start):
            raise bad_input(what, "the head of the file", f"This is {kind}.", now)
