"""What a placement log's columns beside the placement say of it: that the die was placed, that it was not, or neither. Pure.

Words are in small letters without spaces and signs, as headings are.
"""

import re
from collections.abc import Sequence

_QUESTIONS = ("placed", "success", "successful", "bonded", "attached")  # 1 is yes, 0 is no
_OF_A_PLACEMENT = "(?:die|bond|bonding|attach|pick|place|placement|cell|unit)"
_OUTCOME = re.compile(rf"{_OF_A_PLACEMENT}*(?:status|result|outcome|success|ok|pass/?fail)|{_OF_A_PLACEMENT}+state|{'|'.join(_QUESTIONS)}")
EVENTS = ("event", "eventtype", "action")
FAULTS = (
    "error", "errorcode", "fault", "faultcode", "failure", "failed", "skip", "skipped", "lost", "dropped", "missed", "missing", "rejected",
    "alarm", "alarmcode", "dryrun",
)  # fmt: skip
DEVIATIONS = ("bonderror", "bondingerror", "placeerror", "placementerror", "pickerror", "dieerror", "attacherror")  # by numbers how far off
WORKINGS = ("operation", "state", "mode")  # what the machine did, if it says so
# "No error" is none of these.
_NOT_PLACED = re.compile(
    r"f|n|ng|no|nok|false|(not|un|mis).*|no(die|pick|place|placement|part|bond|attach)|"
    r"(|.*(?<!no)(?<!without)(?<!0))(fail|error|lost|loss|missed|missing|drop|skip|reject|abort|cancel).*"
)
_PLACED = re.compile(
    r"p|y|yes|true|t|(ok|okay|good|pass|passed|place|placed|placement|pickandplace|pickplace|attach|attached|bond|bonded|success|successful|done|"
    r"complete|completed|noerror|noerrors|0errors?)((after|with|on|in|by|\W|\d).*)?"
)
_NO_FAULT = re.compile(r"0*|0x0+|n|no|none|false|off|-+|ok|na|n/a|null|no(error|fault|failure|alarm)s?")
_LENGTH = re.compile(r"[+.,\d]+(?:[un\u00b5\u03bcm]m|\u00b0|deg)?")
_NOTHING_PLACED = re.compile(
    r"(remov|dry|simulat|notplaced|nodie|noplace).*|"
    r".*(?<!no)(?<!without)(?<!0)(fail|error|lost|missed|drop|skip|reject|abort|cancel).*"
)


def tells_outcome(heading: str) -> bool:
    return bool(_OUTCOME.fullmatch(heading))


def says_not_placed(word: str, heading: str) -> bool:
    return bool(_NOT_PLACED.fullmatch(word)) or (word == "0" and _asks(heading))


def says_fault(word: str) -> bool:
    """Of a column for what went wrong: that anything did."""
    return not _NO_FAULT.fullmatch(word)


def says_otherwise(word: str, heading: str) -> bool:
    """Of deviations and workings: words, not numbers, by which no die may have been placed."""
    if heading in WORKINGS:
        return bool(_NOTHING_PLACED.fullmatch(word))
    return not _LENGTH.fullmatch(word) and says_fault(word)


def leaves_open(words: Sequence[str], heading: str) -> list[bool]:
    """Which of the words in a column say neither, where they are not all the same: 0 beside 1, PICK beside PLACE."""
    if len({word for word in words if word}) < 2:
        return [False] * len(words)
    known = [_PLACED.fullmatch(word) or says_not_placed(word, heading) or (word == "1" and _asks(heading)) for word in words]
    return [bool(word) and not is_known for word, is_known in zip(words, known, strict=True)]


def _asks(heading: str) -> bool:
    """Of placed, bond success or place ok: 0 and 1 answer it. Of a status or result they may be codes."""
    return heading in _QUESTIONS or heading.endswith(("success", "ok"))
