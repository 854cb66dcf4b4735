"""The zone that a file tells of its clock: in the heading of its time, or in a line above the headings. Letters like EST say too little."""

import re
from datetime import datetime, timedelta, tzinfo

from app.receiving.delimited import fields_of_line
from app.receiving.local_clocks import zone_named

_REGION = re.compile(r"[(\[, ](Etc/GMT[+-]\d{1,2}|[A-Z][A-Za-z_]+/[A-Z][A-Za-z_/+-]+)[)\]]?$")
_KEYS = r"(?:time ?zone|utc ?offset|zeitzone|fuseau(?: horaire)?|zona horaria|fuso orario)"
_LINE = re.compile(rf"{_KEYS}[:= ]+((?:UTC|GMT)?[ +-]*\d.*|UTC|GMT|\w+/.+)", re.I)
_SENTENCE = re.compile(r"(?:all )?(?:times|timestamps|time stamps|dates and times) (?:are )?in (UTC|GMT)\.?", re.I)
_ANY_LINE = re.compile(rf".*\b(?:{_KEYS}|clock|tz|(?:times|timestamps|time stamps) (?:are )?in)\b[:= ]+(.+)|((?:UTC|GMT) ?[+-] ?\d.*)", re.I)
_OFFSET = re.compile(r"(?:\b(?:UTC|GMT)\b(?! ?offset)|(?<!\d)(?=[+-])) ?(?:([+-]) ?(\d{1,2})(?::?([0-5]\d)|[.,](\d{1,2}))?)?", re.I | re.ASCII)
_ZONE = re.compile(r"[,(\[ ]*\b((?:UTC|GMT)(?: ?[+-] ?\d{1,2}(?::?\d\d)?)?)[)\]]?", re.I)
_ENDS = re.compile(r"(?<=[)\]])|\s*(?:h|hours)?\s*(?:$|[)\]]|[,;] *[^\d ])", re.I)  # what may follow a zone: of UTC+5.5 or UTC/local it was not all
_NO_ZONE = re.compile(r"\b(?:not|no|nicht|non|from|to|since|before|after)\W*$", re.I)
_MINUS = {0x2212: "-"}
_LONGEST = 200


def zone_in_heading(heading: str) -> tzinfo | None:
    """An offset from UTC, or a place like Europe/Berlin."""
    if match := _REGION.search(heading):  # first: Etc/GMT-1 is UTC+1
        return zone_named(match[1])
    heading = heading.translate(_MINUS)
    if (match := _ZONE.search(heading)) and _ENDS.match(heading, match.end()) and not _NO_ZONE.search(heading[: match.start()]):
        return zone_named(match[1].upper().replace(" ", ""))
    return None


def without_zone(heading: str) -> str:
    """And without what else stands in brackets."""
    return _ZONE.sub("", re.sub(r"[(\[].*?[)\]]", "", heading))


def zone_in_line(line: str, delimiter: str) -> tuple[str, tzinfo] | None:
    """What a line above the headings says, and the zone that it means."""
    text = _text(line, delimiter)
    match = _LINE.fullmatch(text) or _SENTENCE.fullmatch(text)
    zone = zone_named(match[1].upper() if match.re is _SENTENCE else match[1].replace(" ", "")) if match else None
    return (match[1].strip(), zone) if match and zone else None


def other_zone_in_line(line: str, delimiter: str, zone: tzinfo) -> str | None:
    """What a line says that is not read as a zone, but has an offset that `zone` has neither in January nor in July: (UTC+01:00) Amsterdam."""
    match = _ANY_LINE.fullmatch(_text(line, delimiter))
    said = (match[1] or match[2]).strip() if match else ""
    offset = _OFFSET.search(said)
    if not offset or _NO_ZONE.search(said[: offset.start()]):
        return None
    sign, hours, minutes, tenths = offset.groups()
    told = timedelta(hours=int(hours or 0) + float(f"0.{tenths or 0}"), minutes=int(minutes or 0)) * (-1 if sign == "-" else 1)
    return said if told not in {datetime(2026, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)} else None


def _text(line: str, delimiter: str) -> str:
    fields = [field.strip(" :=") for field in fields_of_line(line[:_LONGEST], delimiter) or [] if field.strip()]
    return ": ".join(fields).lstrip("#/ ").translate(_MINUS)
