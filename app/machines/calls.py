"""What every call shares: who calls, the key that makes a repeat harmless, stated times, signatures, and the answer."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Depends, Form, Header, Query, Request, UploadFile
from fastapi.security import HTTPBearer
from pydantic import Field
from sqlalchemy.orm import Session

from app.db import House
from app.errors import NotAllowed, Reason, not_allowed
from app.evidence.keep import said
from app.evidence.refused import kept_when_refused
from app.journal.act import Actor, By, act
from app.journal.actions import ACTIONS
from app.machines.bodies import Answer, Moment, Signed, Told
from app.naming.resolve import resolve
from app.people.callers import Caller, caller
from app.people.doors import check_door
from app.people.people import actor_of
from app.people.sign_in import check_signature
from app.web.installation import house_of

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

_NOT_ARGUMENTS = {"password", "signed_by", "happened_at", "fact"}


class Ground(Answer):
    kind: str = Field(description="One of the closed list at the head of this document.", examples=["material_missing"])
    why: str = Field(examples=["There is no adhesive GLUE-7 on Attach 1."])
    now: str = Field(description="The remedy.", examples=["Mount a batch of GLUE-7."])
    where: str = Field(description="The field, line or element, if there is one.", examples=[""])


class Problem(Answer):
    """RFC 9457. `kind` is the first of a closed list that applies, `kinds` all of them; each reason names its place and the remedy."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["C-0118-W may not start red attach at Attach 1."])
    status: int = Field(examples=[409])
    detail: str = Field(examples=["There is no adhesive GLUE-7 on Attach 1."])
    kind: str | None = Field(
        description="Empty where nothing was refused: the program made a mistake (500), or something is away (503).", examples=["material_missing"]
    )
    kinds: list[Annotated[str, Field(examples=["material_missing"])]]
    now: str = Field(examples=["Mount a batch of GLUE-7."])
    reasons: list[Ground]


def _problem(words: str) -> dict[str, Any]:
    """By its name alone: a model in each would be made anew for each status of each call, a fifth of a second at every start."""
    return {"description": words, "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}}


PROBLEMS: dict[int | str, dict[str, Any]] = {
    400: _problem("The body can't be read"),
    401: _problem("Nobody is signed in and no token in force was sent"),
    403: _problem("The caller may not do this, or did not sign"),
    404: _problem("A code leads to nothing"),
    409: _problem("Refused: see `kind` and `reasons`"),
    413: _problem("The body is too large"),
    422: _problem("The input is not understood, its key was used for something else, or the site's scanner found something in a file"),
    429: _problem("Too many wrong secrets: `Retry-After` says how many seconds to wait"),
    500: _problem("The program made a mistake; nothing was changed"),
    503: _problem("The database, room on the disk, memory or the site's scanner is away for a while; send it again with the same key"),
}


@dataclass(frozen=True)
class Call:
    house: House
    who: Caller
    key: str | None
    entries: list[int] = field(default_factory=list)  # of what it did: a page tells more of it than the answer

    @property
    def person(self) -> int | None:
        return self.who.person

    def do(self, action: str, body: Told, verb: Callable[[Session, By], dict[str, Any]], path: dict[str, Any] | None = None) -> dict[str, Any]:
        """One act for this call: its arguments are the body and what the path names. A repeat of the key gets the first answer."""
        actor, signed = self._signer(action, body)
        if body.fact:
            self.must_state_facts()
        if body.happened_at is not None and not self.who.has("lead"):
            self.must_state_facts("say when something happened")
        arguments = body.model_dump(mode="json", exclude=_NOT_ARGUMENTS, exclude_none=True) | (path or {})
        answer = act(
            self.house, actor, action, arguments, verb, key=self.key, happened_at=body.happened_at,
            source="machine" if self.who.person is None else "person" if body.happened_at else "server", fact=body.fact, signed=signed,
            caller=self.who.actor,
        )  # fmt: skip
        self.entries.append(answer.entry)
        return answer.body

    def may(self, action: str) -> None:
        """Refuses early what `do` would refuse: before a password is hashed or a file is read."""
        known = ACTIONS[action]
        if not self.who.has(*known.duties):
            raise not_allowed(self.who.actor.name, known.words, known.duties)

    def must_state_facts(self, what: str = "state facts") -> None:
        """A person who may is a lead; of a machine it is a right of its token, and no duty gives it."""
        if self.who.may_state_facts:
            return
        if self.who.person is not None:
            raise not_allowed(self.who.actor.name, what, ("lead",))
        why = Reason("duty", "Its token may not state facts.", "Have one made with `may_state_facts`, or let a lead enter it.")
        raise NotAllowed(f"{self.who.actor.name} may not {what}.", why)

    @contextmanager
    def files(self, action: str, kind: str, *sent: UploadFile) -> Iterator[None]:
        """Around reading files and the act with them: nobody's file is kept who may not, and one that is refused as input is kept as evidence."""
        self.may(action)
        files = [(one.filename or "unnamed", one.file) for one in sent]
        with kept_when_refused(self.house, self.who.actor, kind, files):
            yield

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
                why = Reason("password", "A machine can't sign by itself.", "Name the signer and send the password.", "signed_by")
                raise NotAllowed("Nobody signs.", why)
            actor = actor_of(session, person)
        check_signature(self.house, person, body.password, self.who.address, is_brought=person != self.who.person)
        return actor, True


def told_in_form(
    happened_at: Annotated[Moment | None, Form(description="When it happened, if not now. ISO 8601 with a zone.")] = None,
    fact: Annotated[bool, Form(description="Told after it happened, by one who may: recorded and held, never refused for a rule.")] = False,
) -> Told:
    """What a form states beside its files."""
    return Told(happened_at=happened_at, fact=fact)


def told_in_query(
    happened_at: Annotated[Moment | None, Query(description="When it happened, if not now. ISO 8601 with a zone.")] = None,
    fact: Annotated[bool, Query(description="Told after it happened, by one who may: recorded and held, never refused for a rule.")] = False,
) -> Told:
    """What the address states where the body is a file."""
    return Told(happened_at=happened_at, fact=fact)


def as_stated(stated: "DataclassInstance") -> dict[str, Any]:
    """What was said of a file, as an argument: the same file told otherwise is another call, and no repeat of the first."""
    found = said(stated)
    return {"stated": found} if found else {}


FormTold = Annotated[Told, Depends(told_in_form)]
QueryTold = Annotated[Told, Depends(told_in_query)]
_bearer = HTTPBearer(auto_error=False, description="A machine's token. A signed-in person's session cookie does as well, from this very site.")


def calling(
    request: Request,
    _described: Annotated[object, Depends(_bearer)],
    idempotency_key: Annotated[
        str | None, Header(max_length=200, description="Send the same key again to get the same answer, and nothing twice. Kept 90 days.")
    ] = None,
) -> Call:
    who = caller(request)
    check_door(request, who.actor, may_bring_signer=who.person is not None)
    return Call(house_of(request), who, idempotency_key)


Calling = Annotated[Call, Depends(calling)]
