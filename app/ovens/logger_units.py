"""Units that a logger's file names: in a heading, in a line below the headings, or in a line by itself."""

import re
from collections.abc import Sequence
from typing import Literal

Unit = Literal["C", "F", "mV", "mV type K"]
_PATTERNS: tuple[tuple[Unit, re.Pattern[str]], ...] = (
    ("mV type K", re.compile(r"[(\[]?\bmV,? type K\b[)\]]?", re.I)),
    ("mV", re.compile(r"[(\[]mV[)\]]|,? mV$")),
    ("C", re.compile(r"[(\[]? ?(?:°|º|deg\.? ?|degrees? )C(?:elsius)?\b ?[)\]]?|[(\[]? ?℃ ?[)\]]?|[(\[](?:C|celsius)[)\]]", re.I)),
    ("F", re.compile(r"[(\[]? ?(?:°|º|deg\.? ?|degrees? )F(?:ahrenheit)?\b ?[)\]]?|[(\[]? ?℉ ?[)\]]?|[(\[](?:F|fahrenheit)[)\]]", re.I)),
)
_WORDS: dict[str, Unit] = {"C": "C", "Celsius": "C", "celsius": "C", "F": "F", "Fahrenheit": "F", "fahrenheit": "F", "mV": "mV"}
_OTHER = re.compile(
    r"[(\[] ?(%|%? ?r[hf]|ma|mbar|bar|hpa|kpa|ppm|l/min|hz|kw|m/s|sec|min) ?[)\]]|, ?(%|(rh|mbar|hpa|kpa|ppm)\b)| %( ?r[hf])?$", re.I
)
_KELVIN = re.compile(r"[(\[] ?(?:°|º|deg\.? ?)?K ?[)\]]|, ?K$|(?:°|º) ?K\b|\bkelvin\b", re.I)
_OTHER_DEGREES = re.compile(r"(?:°|º)(?! ?[CFK])[A-Z]", re.I)  # Réaumur, Rankine
_DECLARED = re.compile(r"[\w ]*\b(?:units?|einheit|unité|unidad|unità|unidade|eenheid)\b[\w ]*[:=]+ ?(.+)", re.I)
_OF_UNITS = re.compile(r"(?:temp(?:erature)?[ _.-]*)?(?:units?|einheit|unité|unidad|unità|unidade|eenheid)", re.I)
_SAID = re.compile(r".*\b(?:temperatures?|readings|values)\b.*\bin (.+)", re.I)  # All temperatures in Fahrenheit
_LETTER = re.compile(r"(?<![^\W_])(?:temp|temperature|t)[ _.-]*([CFK])", re.I)
# In Oven_SP too.
_SET_POINT = re.compile(
    r"(?<![^\W_])(?:sp\d*|sv\d*|set(?:[ _-]?(?:point|value|temp|temperature))?|target|soll(?:wert|temperatur)?|consigne|consigna)(?![^\W_])", re.I
)
_ELSE = re.compile(
    r"(?<![^\W_])(?:humidity|rh|feuchte|luftfeuchte|pressure|druck|power|leistung|output|voltage|spannung|battery|batterie|door|flow|"
    r"speed|vacuum|vakuum|cycle|step|segment|ms|msec|millis|milliseconds?|seconds?)(?![^\W_])",
    re.I,
)
_LONGEST = 120
_MISREAD = "\u00c2\u00b0"  # a degree sign that was read as Latin-1
_IN_BRACKETS = re.compile(r"[(\[] ?(?:°|º|deg\.? ?)?[CFK](?:elsius|ahrenheit|elvin)? ?[)\]]$", re.I)


def units_in(heading: str) -> list[Unit]:
    heading = heading.replace(_MISREAD, "°")
    units: list[Unit] = [unit for unit, pattern in _PATTERNS if pattern.search(heading)]
    return ["mV type K"] if "mV type K" in units else units


def without_unit(heading: str) -> str:
    found = heading.replace(_MISREAD, "°")
    for _, pattern in _PATTERNS:
        found = pattern.sub(" ", found)
    return re.sub(r" in$", "", " ".join(found.split()).strip(" ,;:_/-")) or heading.strip()


def unit_word(text: str) -> Unit | None:
    """The unit that this text is, and nothing else."""
    return _WORDS.get(text) or next((unit for unit, pattern in _PATTERNS if pattern.fullmatch(text)), None)


def is_other_unit(text: str) -> bool:
    """Whether this text is a unit of something else than a temperature."""
    return _OTHER.search(f"[{text}]") is not None


def names_other_unit(heading: str) -> bool:
    return _OTHER.search(heading) is not None


def is_kelvin(text: str) -> bool:
    return text == "K" or _KELVIN.fullmatch(text) is not None


def may_be_kelvin(heading: str) -> bool:
    """Kelvin, or a thermocouple of type K: both are written (K)."""
    return _KELVIN.search(heading) is not None


def letter_of_unit(heading: str) -> str | None:
    """Temp_F, T (K): a unit, though not written as one. Of other words such a letter may be the name: Zone C."""
    match = _LETTER.fullmatch(heading)
    return match and match[1].upper()


def may_be_set_point(heading: str) -> bool:
    """What the oven was told to be, not what it was."""
    return _SET_POINT.search(heading) is not None


def may_be_something_else(heading: str) -> bool:
    """By its words no temperature, unless it names a unit of one."""
    return _ELSE.search(heading) is not None


def names_other_degrees(heading: str) -> bool:
    return _OTHER_DEGREES.search(heading) is not None


def ends_in_unit(text: str) -> bool:
    """As headings do: TC1 [°C]."""
    return _IN_BRACKETS.search(text) is not None


def is_of_units(heading: str) -> bool:
    return _OF_UNITS.fullmatch(heading.strip()) is not None


def declared_unit(fields: Sequence[str]) -> str | None:
    """The unit of temperature that a line like `Units: Fahrenheit` declares for what comes below it."""
    line = ": ".join(field.strip(" :=") for field in fields if field.strip()).lstrip("#/ ")
    short = len(line) <= _LONGEST  # a long line is no such, and would take long
    match = (_DECLARED.fullmatch(line) or _SAID.fullmatch(line.rstrip(" ."))) if short else None
    said = match and match[1].strip()
    return (unit_word(said) or ("K" if is_kelvin(said) else None)) if said else None
