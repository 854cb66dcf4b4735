"""Reasons are chosen from the catalogue. Where it names none for a purpose, any words will do."""

from sqlalchemy.orm import Session

from app.catalogue.queries import every
from app.errors import bad_input


def checked_reason(session: Session, purpose: str, reason: str) -> str:
    """`reason` as it is recorded. `purpose`: mark, scrap, sample, count ... as in the catalogue's reasons."""
    tidy = reason.strip()
    if not tidy:
        raise bad_input("A reason is missing.", "reason", "It is empty.", "Say in a few words why.")
    offered = offered_reasons(session, purpose)
    if offered and tidy not in offered:
        names = ", ".join(offered)
        raise bad_input("That reason is not in the catalogue.", "reason", f"{tidy!r} is not one of: {names}.", "Choose one of them.")
    return tidy


def offered_reasons(session: Session, purpose: str) -> list[str]:
    """What the catalogue offers to choose from."""
    return [defined.name for defined in every(session, "reason") if purpose in defined.body.of]
