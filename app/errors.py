"""The one tree of refusals. Raised deep, turned into a page or a problem document in one place (`web/refusals.py`)."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

# The order decides which kind speaks first when several apply; the list is closed: a new kind is added here first.
KINDS = (
    "bad_input", "unknown_code", "ambiguous_code", "key_reused", "suspect_file", "duty", "password", "too_many_tries", "changed", "in_work",
    "finished", "not_here", "held", "not_next_step", "steps_differ", "judgement_open", "barrier_open", "revision_inactive",
    "station_cannot", "station_down", "station_held", "calibration", "certificate", "material_missing",
    "material_wrong", "material_lapsed", "material_held", "order_differs", "window_over", "window_early",
    "repeats_used", "recipe_differs", "capacity", "container_taken", "role_wrong", "too_few_units", "too_many_lots",
    "pack_short", "pack_open", "grade_differs", "grade_unwanted", "line_not_clear",
)  # fmt: skip
_SHORT = 80
_STATUS = {"bad_input": 422, "unknown_code": 404, "key_reused": 422, "suspect_file": 422, "duty": 403, "password": 403, "too_many_tries": 429}


@dataclass(frozen=True)
class Reason:
    """One ground of a refusal: its kind, why in a sentence, what to do now, and the place (line, field) if there is one.

    `brief`: why, without the reason of a hold that it quotes, if it does. In the reason of a next hold the quotes would grow with every step.
    """

    kind: str
    why: str
    now: str = ""
    where: str = ""
    brief: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"unknown kind of refusal: {self.kind}")
        object.__setattr__(self, "brief", self.brief or self.why)


class Refused(Exception):
    """What was asked is not done. `what` names it; the reasons say why, most important first."""

    wait_seconds: int | None = None  # after so long it may be asked again
    event = ""  # as which it counts among who tried what (`people/security.py`), if it does
    leads_to = ""  # the name of the page that comes instead of the refusal; a call of the API gets the refusal

    def __init__(self, what: str, *reasons: Reason) -> None:
        if not reasons:
            raise ValueError("a refusal needs a reason")
        self.what = what
        self.reasons = tuple(sorted(reasons, key=lambda reason: KINDS.index(reason.kind)))
        super().__init__(" ".join([what, *(reason.why for reason in self.reasons)]))

    @property
    def kind(self) -> str:
        return self.reasons[0].kind

    @property
    def kinds(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(reason.kind for reason in self.reasons))

    @property
    def status(self) -> int:
        return _STATUS.get(self.kind, 409)

    @property
    def now(self) -> str:
        return next((reason.now for reason in self.reasons if reason.now), "")


_R = TypeVar("_R", bound=Refused)
CRAFTED = "crafted"  # an event: what no page, terminal or machine sends of itself


class BadInput(Refused):
    """Input that cannot be understood: each reason names a place and the remedy."""


class NotFound(Refused):
    """A code or number that leads to nothing."""


class NotAllowed(Refused):
    """The person or token may not do this."""


class TooManyTries(NotAllowed):
    """Guessing made slow: RFC 6585, 4."""

    def __init__(self, seconds: int) -> None:
        why, now = f"Wait {seconds} seconds.", "Then try again, or ask an administrator."
        super().__init__("Too many wrong tries.", Reason("too_many_tries", why, now))
        self.wait_seconds = seconds


def crafted(refusal: _R) -> _R:
    refusal.event = CRAFTED
    return refusal


def refuse(kind: str, what: str, why: str, now: str = "") -> Refused:
    return Refused(what, Reason(kind, why, now))


def bad_input(what: str, where: str, why: str, now: str = "") -> BadInput:
    return BadInput(what, Reason("bad_input", why, now, where))


def unknown(code: str, expected: str = "a code of this factory") -> NotFound:
    if not code.strip():
        return NotFound("No code was given.", Reason("unknown_code", f"Expected {expected}.", "Scan it, or search for it."))
    reason = Reason("unknown_code", f"Expected {expected}.", "Scan it again, or search for it.")
    return NotFound(f"Nothing here has the code {short(code)!r}.", reason)


def short(text: str) -> str:
    """As much of what was sent as a sentence can bear."""
    return text if len(text) <= _SHORT else f"{text[:_SHORT]}..."


def few(names: Iterable[str], most: int = 3) -> str:
    """As many names as a sentence can bear, and how many more there are."""
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def not_allowed(who: str, action: str, duties: tuple[str, ...]) -> NotAllowed:
    needs = " or ".join(duties)
    return NotAllowed(f"{who} may not {action}.", Reason("duty", f"This needs the duty: {needs}.", f"Ask someone with the duty {needs}."))
