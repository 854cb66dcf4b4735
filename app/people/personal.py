"""What of the journal's entries about people is for those alone who see people: duties and certificates are nobody else's business."""

from typing import Any

OF_PEOPLE = frozenset({"add_person", "change_person", "make_token"})  # actions whose arguments have something personal
_PERSONAL = frozenset({"duties", "certificates", "certificate", "until", "end", "valid_until", "may_state_facts"})


def without_personal(action: str, arguments: dict[str, Any]) -> dict[str, Any]:
    """An entry's arguments for everyone: whom it was about, and no more."""
    return {name: value for name, value in arguments.items() if name not in _PERSONAL} if action in OF_PEOPLE else arguments
