"""What every call shares: who calls, the key that makes a repeat harmless, stated times, signatures, and the answer."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from fastapi.security import HTTPBearer
from pydantic import BaseModel
from sqlalchemy.orm import Session

from app.db import House
from app.errors import bad_input, not_allowed
from app.journal.act import Actor, By, act
from app.journal.actions import ACTIONS
from app.machines.bodies import Signed, Told
from app.naming.resolve import resolve
from app.people.callers import Caller, caller
from app.people.people import actor_of
from app.people.sign_in import check_signature
from app.web import house_of

_NOT_ARGUMENTS = {"password", "signed_by", "happened_at", "fact"}


class Ground(BaseModel):
    kind: str
    why: str
    now: str
    where: str


class Problem(BaseModel):
    """RFC 9457. `kind` is the first of a closed list that applies, `kinds` all of them; each reason names its place and the remedy."""

    type: str
    title: str
    status: int
    detail: str
    kind: str | None
    kinds: list[str]
    now: str
    reasons: list[Ground]


def _problem(words: str) -> dict[str, Any]:
    return {"description": words, "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}, "model": Problem}


PROBLEMS: dict[int | str, dict[str, Any]] = {
    400: _problem("The body can't be read"),
    401: _problem("Nobody is signed in and no token in force was sent"),
    403: _problem("The caller may not do this, or did not sign"),
    404: _problem("A code leads to nothing"),
    409: _problem("Refused: see `kind` and `reasons`"),
    413: _problem("The body is too large"),
    422: _problem("The input is not understood, or its key was used for something else"),
}


@dataclass(frozen=True)
class Call:
    house: House
    who: Caller
    key: str | None

    @property
    def person(self) -> int | None:
        return self.who.person

    def do(self, action: str, body: Told, verb: Callable[[Session, By], dict[str, Any]], path: dict[str, Any] | None = None) -> dict[str, Any]:
        """One act for this call: its arguments are the body and what the path names. A repeat of the key gets the first answer."""
        actor, signed = self._signer(action, body)
        if body.fact and not self.who.may_state_facts:
            raise not_allowed(self.who.actor.name, "state facts", ("lead",))
        if body.happened_at is not None and not (self.who.may_state_facts or self.who.has("lead")):
            raise not_allowed(self.who.actor.name, "say when something happened", ("lead",))
        arguments = body.model_dump(mode="json", exclude=_NOT_ARGUMENTS, exclude_none=True) | (path or {})
        answer = act(
            self.house, actor, action, arguments, verb, key=self.key, happened_at=body.happened_at,
            source="machine" if self.who.person is None else "person" if body.happened_at else "server", fact=body.fact, signed=signed,
        )  # fmt: skip
        return answer.body

    def may(self, action: str) -> None:
        """Refuses early what `do` would refuse: before a password is hashed or a file is read."""
        known = ACTIONS[action]
        if not self.who.has(*known.duties):
            raise not_allowed(self.who.actor.name, known.words, known.duties)

    def told(self, happened_at: str | None, *, fact: bool = False) -> Told:
        """What a form states beside its files."""
        try:
            moment = datetime.fromisoformat(happened_at) if happened_at else None
        except ValueError as error:
            raise bad_input("That is no time.", "happened_at", f"{happened_at!r} is not ISO 8601.", "Like 2026-03-01T07:30:00+01:00.") from error
        if moment is not None and moment.tzinfo is None:
            raise bad_input("That time has no zone.", "happened_at", f"{happened_at!r} ends without one.", "Add +00:00 or the like.")
        return Told(happened_at=moment, fact=fact)

    def _signer(self, action: str, body: Told) -> tuple[Actor, bool]:
        """Who acts: the caller, or the person who signs with badge and password."""
        if not ACTIONS[action].signed or not isinstance(body, Signed):
            return self.who.actor, False
        if self.who.person is None:
            self.may(action)  # a machine brings a signature only for what it may do itself
        person = self.who.person
        with self.house.reading() as session:
            if body.signed_by:
                person = resolve(session, body.signed_by, "person").id
            if person is None:
                raise bad_input("Nobody signs.", "signed_by", "A machine can't sign by itself.", "Name the signer and send the password.")
            actor = actor_of(session, person)
        check_signature(self.house, person, body.password, self.who.address)
        return actor, True


_bearer = HTTPBearer(auto_error=False, description="A machine's token. A signed-in person's session cookie does as well, from this very site.")


def calling(
    request: Request,
    _described: Annotated[object, Depends(_bearer)],
    idempotency_key: Annotated[
        str | None, Header(max_length=200, description="Send the same key again to get the same answer, and nothing twice. Kept 90 days.")
    ] = None,
) -> Call:
    return Call(house_of(request), caller(request), idempotency_key)


Calling = Annotated[Call, Depends(calling)]
