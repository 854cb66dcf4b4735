"""A workbook, an archive, a PDF or a picture in place of a file that is read: each door says what it is, before it looks for lines in it."""

from collections.abc import Callable
from io import BytesIO

import pytest

from app.errors import BadInput
from app.final_test.survey import Survey
from app.floor.placement_logs import read_placement_log
from app.ovens.logger_files import read_trace
from app.ovens.logger_table import Stated
from app.receiving.die_maps import read_maps

DOORS: dict[str, Callable[[bytes], object]] = {
    "die map": lambda data: read_maps(data, "sent"),
    "placement log": lambda data: read_placement_log(BytesIO(data), "sent"),
    "logger": lambda data: read_trace(data, "sent", Stated()),
    "unit results": lambda data: Survey().see(data),
}
ZEROS = bytes(300)


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"PK\x03\x04" + ZEROS, "a workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + ZEROS, "a workbook"),
        (b"\x1f\x8b\x08" + ZEROS, "a gzip archive"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "a PDF"),
        (b"\x89PNG\r\n\x1a\n" + ZEROS, "a picture"),
        (b"\xff\xd8\xff\xe0" + ZEROS, "a picture"),
    ],
)
def test_a_file_of_another_format_is_called_what_it_is(door: str, data: bytes, kind: str) -> None:
    with pytest.raises(BadInput) as refused:
        DOORS[door](data)
    (reason,) = refused.value.reasons
    assert (reason.where, kind in reason.why) == ("the head of the file", True)
    assert reason.now
