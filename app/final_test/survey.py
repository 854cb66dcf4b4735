"""What the bytes of a file of unit results tell while they pass: its digest, its lines, and whether it is text at all."""

import hashlib
from pathlib import Path

import numpy as np

from app.errors import bad_input
from app.final_test.result_columns import REFUSED
from app.receiving.delimited import UTF_16
from app.receiving.other_formats import refuse_other_formats

_CHUNK = 1 << 20
_FEED = ord("\n")


class Survey:
    """`see` every chunk in order, then ask. What is no text or mixes ends of lines is refused: the reader would swallow lines of it."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()
        self._feeds = self._returns = self._pairs = 0
        self._last = b""
        self.is_utf_16 = self.is_quoted = False
        self.underscores = 0

    def see(self, chunk: bytes) -> None:
        if not self._last:
            refuse_other_formats(chunk, REFUSED, "Save it as CSV in UTF-8.")
            self.is_utf_16 = chunk[:2] in UTF_16
        if b"\0" in chunk and not self.is_utf_16:
            raise bad_input(REFUSED, "the whole file", "It is not text in UTF-8: it has zero bytes.", "Save it as CSV in UTF-8.")
        self._sha.update(chunk)
        self._feeds += int(np.count_nonzero(np.frombuffer(chunk, np.uint8) == _FEED))  # a twentieth of the time of `count`
        if b"\r" in chunk or self._returns:
            self._returns += chunk.count(b"\r")
            self._pairs += chunk.count(b"\r\n") + (self._last == b"\r" and chunk[:1] == b"\n")
        self.is_quoted = self.is_quoted or b'"' in chunk
        if b"_" in chunk:  # of most files the header alone has any
            self.underscores += chunk.count(b"_")
        self._last = chunk[-1:]

    def refuse_mixed_ends(self) -> None:
        if self._returns and self._feeds and not self.is_utf_16 and not self._returns == self._feeds == self._pairs:
            raise bad_input(REFUSED, "the whole file", "Its lines end in different ways.", "Save it with one kind of line ends.")

    @property
    def is_plain(self) -> bool:
        """UTF-8 with line feeds and without quotes, as it is read fastest."""
        return not (self.is_utf_16 or self.is_quoted or (self._returns and not self._feeds))

    @property
    def lines(self) -> int:
        return self._feeds + (self._last not in (b"", b"\n"))

    @property
    def digest(self) -> str:
        return self._sha.hexdigest()


def survey_of(source: Path) -> Survey:
    survey = Survey()
    with source.open("rb") as file:
        while chunk := file.read(_CHUNK):
            survey.see(chunk)
    return survey
