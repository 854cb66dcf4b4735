"""Where work can hurt: the usual caution of an operation, when the catalogue's step gives none. Common practice, no source.

It is shown for information and is never an interlock; site rules, local codes and licensed practice come first.
"""

from collections.abc import Iterable
from string import ascii_uppercase

from app.catalogue.definitions import Step

FIRST = "Site rules, local codes and licensed practice come first."
_USUAL = {
    "die attach": "Uncured adhesive: gloves, and no skin contact. Moving bond head: keep guards closed.",
    "cure": "Hot oven and parts: wait or wear heat gloves. Fumes of resin: keep the exhaust on.",
    "plasma clean": "High voltage and vacuum; ozone may form. Open only when the chamber is vented and the power is off.",
    "wire bond": "Hot work holder, ultrasonics and moving bond head: keep guards closed.",
    "encapsulate": "Uncured resin: gloves, eye protection, exhaust. Compressed air at the dispenser: relieve it before opening.",
    "mould": "Press and hot mould: both hands clear, guards closed. Uncured compound: gloves.",
    "singulate": "Blade or punch: stop it before reaching in. Coolant under pressure: guards closed.",
    "clean": "Solvent: exhaust, gloves, eye protection, no flame. Compressed air: never towards a person.",
    "test": "Bright light and moving handler: guards closed, no staring into the source.",
    "tape": "Hot sealing shoe and moving tape: fingers clear. Compressed air: relieve it before opening.",
    "dry pack": "Hot sealer: fingers clear of the bar.",
}  # fmt: skip


def caution_of(step: Step) -> str:
    """The step's own caution, else the usual one of its operation; empty where work does not usually hurt. `FIRST` goes with it, once."""
    return (step.caution or _USUAL.get(step.operation, "")).replace(FIRST, "").strip()


def in_letters(steps: Iterable[tuple[int, str]]) -> tuple[list[tuple[str, str, str]], dict[int, str]]:
    """(step number, its caution) -> (letter, caution, its steps in words), and the letter of each step: so that paper says each once."""
    by_words: dict[str, list[int]] = {}
    for number, words in steps:
        if words:
            by_words.setdefault(words, []).append(number)
    letters = {words: ascii_uppercase[i % 26] for i, words in enumerate(by_words)}
    said = [(letters[words], words, ", ".join(map(str, numbers))) for words, numbers in by_words.items()]
    return said, {number: letters[words] for words, numbers in by_words.items() for number in numbers}
