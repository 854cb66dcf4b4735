"""An action as it is told after it was done: "start a run" becomes "started a run"."""

from app.journal.actions import ACTIONS

_IRREGULAR = {
    "begin": "began", "cut": "cut", "give": "gave", "let": "let", "make": "made", "put": "put", "set": "set", "split": "split",
    "take": "took",
}  # fmt: skip
_DOUBLED = ("enrol", "scrap", "ship")


def told(action: str) -> str:
    words = ACTIONS[action].words
    if words.startswith("dry pack"):
        return words.replace("dry pack", "dry packed", 1)
    verb, _, rest = words.partition(" ")
    return f"{_past(verb)} {rest}"


def _past(verb: str) -> str:
    if verb in _IRREGULAR:
        return _IRREGULAR[verb]
    if verb in _DOUBLED:
        return f"{verb}{verb[-1]}ed"
    if verb.endswith("y"):
        return f"{verb[:-1]}ied"
    return f"{verb}d" if verb.endswith("e") else f"{verb}ed"
