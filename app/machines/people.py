"""Calls: people, their duties, certificates and secrets; floor terminals; machines' tokens."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import not_allowed
from app.journal.act import By
from app.machines.bodies import Answer, Badge, InPath, Moment, Name, Number, Text, Told, shown
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.naming.resolve import code_of, resolve
from app.people.people import Certified, Known, add_person, everyone, known_of, set_certificates, set_duties
from app.people.second_factor import end_factor
from app.people.secrets import keep_secret, new_secret
from app.people.sessions import end_all
from app.people.terminals import enrol_terminal, enrolled, retire_terminal
from app.people.tokens import make_token, revoke_token, tokens_in_force

router = call_router("people")
Duty = Literal["operate", "lead", "quality", "engineer", "administer"]
Secret = Annotated[Text, Field(max_length=200, description="Never kept: only its hash is.")]


class CertificateIn(BaseModel):
    """What a person is certified for."""

    model_config = ConfigDict(extra="forbid")

    name: Name = Field(description="As steps name it.", examples=["wire bond"])
    valid_until: Moment | None = Field(None, description="None: it has no end.", examples=["2027-02-28T23:00:00Z"])


class PersonIn(Told):
    model_config = shown({"name": "Mara Lind", "duties": ["operate"], "pin": "402817"})

    name: Name = Field(description="Of the person.")
    duties: list[Duty]
    certificates: list[CertificateIn] = []
    badge: Name | None = Field(None, description="A badge code that was chosen elsewhere. None: one is made.")
    password: Secret | None = None
    pin: Secret | None = None


class ChangePersonIn(Told):
    """What is left out stays as it is. No duties at all: they have left and can't sign in."""

    model_config = shown({"duties": ["operate", "lead"]})

    duties: list[Duty] | None = None
    certificates: list[CertificateIn] | None = None


class SecretIn(Told):
    model_config = shown({"kind": "pin", "secret": "402817"})

    kind: Literal["pin", "password"]
    secret: Secret


class PersonOut(Answer):
    person: Badge = Field(description="The badge code.")
    name: str = Field(examples=["Mara Lind"])
    duties: list[str] = Field(examples=[["operate"]])
    certificates: list[CertificateIn]


class TerminalIn(Told):
    model_config = shown({"area": "bonding"})

    area: Name = Field(description="Of stations, as the catalogue names it.", examples=["bonding"])


class TerminalOut(Answer):
    terminal: str = Field(examples=["T-0002-U"])
    area: str = Field(examples=["bonding"])
    stations: int = Field(examples=[36], description="That have this area. 0: there are none yet, or its name is spelt otherwise there.")


class EnrolledOut(TerminalOut):
    cookie: str | None = Field(
        examples=["(shown once)"], description="The value of its cookie `reelroot_terminal`. Shown once: a repeated call has none."
    )


class TokenIn(Told):
    model_config = shown({"name": "bonder 3", "duties": ["operate"], "may_state_facts": True})

    name: Name = Field(description="Of the machine, as the journal will name it.")
    duties: list[Duty] = Field(min_length=1)
    valid_until: Moment | None = Field(None, description="None: a year from now. At most two years.")
    may_state_facts: bool = Field(False, description="It may say when something happened, and tell facts that happened earlier.")


class TokenOut(Answer):
    token: Number
    name: str = Field(examples=["bonder 3"])
    duties: list[str] = Field(examples=[["operate"]])
    valid_until: datetime | None = Field(examples=[None])
    may_state_facts: bool


class MadeTokenOut(Answer):
    token: Number
    secret: str | None = Field(examples=["rr_..."], description="Shown once: a repeated call has none.")


class SetOut(Answer):
    person: Badge
    set: str = Field(examples=["pin"])


class EndedOut(Answer):
    person: Badge
    ended: int = Field(description="How many were open.", examples=[2])


@router.get("/people", summary="Everyone, with badges, duties and certificates")
def list_people(call: Calling) -> list[PersonOut]:
    with call.house.reading() as session:
        return [_out(one) for one in everyone(session)]


@router.post("/people", summary="Add a person")
def post_person(body: PersonIn, call: Calling) -> PersonOut:
    given = {"pin": body.pin, "password": body.password}
    cheap = call.house.settings.cheap_passwords
    body = body.model_copy(update={"pin": None, "password": None})  # no secret is told to the journal
    call.may("add_person")
    kept = [new_secret(kind, secret, (body.name, body.badge or ""), cheap=cheap) for kind, secret in given.items() if secret is not None]

    def verb(s: Session, by: By) -> dict[str, Any]:
        person = add_person(s, by, body.name, body.duties, _certified(body.certificates), body.badge)
        for new in kept:
            keep_secret(s, by, person.id, new, given=True)
        return _told(s, person.id)

    return PersonOut(**call.do("add_person", body, verb))


@router.get("/people/{person}", summary="A person by badge")
def get_person(person: str, call: Calling) -> PersonOut:
    with call.house.reading() as session:
        call.who.check_sees(one := resolve(session, person, "person").id)
        return _out(everyone(session, one)[0])


@router.post("/people/{person}/change", summary="Change a person's duties or certificates")
def post_person_change(person: str, body: ChangePersonIn, call: Calling) -> PersonOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, person, "person").id
        if body.duties is not None:
            set_duties(s, by, one, body.duties)
        if body.certificates is not None:
            set_certificates(s, by, one, _certified(body.certificates))
        return _told(s, one)

    return PersonOut(**call.do("change_person", body, verb, path={"person": person}))


@router.post("/people/{person}/secret", summary="Give someone a new PIN or password. All their sessions end")
def post_secret(person: str, body: SecretIn, call: Calling) -> SetOut:
    call.may("give_secret")
    with call.house.reading() as session:
        about = known_of(session, resolve(session, person, "person").id)
    new = new_secret(body.kind, body.secret, about, cheap=call.house.settings.cheap_passwords)

    def verb(s: Session, by: By) -> dict[str, Any]:
        named = resolve(s, person, "person")
        keep_secret(s, by, named.id, new, given=True)
        return {"person": named.code, "set": body.kind}

    told = Told(happened_at=body.happened_at, fact=body.fact)
    return SetOut(**call.do("give_secret", told, verb, path={"person": person, "kind": body.kind}))


@router.post("/people/{person}/end_sessions", summary="End all sessions of someone, at desks and terminals")
def post_end_sessions(person: str, body: Told, call: Calling) -> EndedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        named = resolve(s, person, "person")
        return {"person": named.code, "ended": end_all(s, by, named.id)}

    return EndedOut(**call.do("end_sessions", body, verb, path={"person": person}))


@router.post("/people/{person}/end_second_factor", summary="End someone's second factor: the device is lost")
def post_end_second_factor(person: str, body: Told, call: Calling) -> SetOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        named = resolve(s, person, "person")
        end_factor(s, by, named.id)
        return {"person": named.code, "set": "no second factor"}

    return SetOut(**call.do("end_second_factor", body, verb, path={"person": person}))


def _terminals(session: Session) -> list[dict[str, Any]]:
    stations = catalogue.stations_by_area(session)
    return [{"terminal": one.code, "area": one.area, "stations": stations.get(one.area, 0)} for one in enrolled(session)]


@router.get("/terminals", summary="The enrolled floor terminals")
def list_terminals(call: Calling) -> list[TerminalOut]:
    with call.house.reading() as session:
        return [TerminalOut(**one) for one in _terminals(session)]


@router.post("/terminals", summary="Enrol a floor terminal for a station area")
def post_terminal(body: TerminalIn, call: Calling) -> EnrolledOut:
    secrets: list[str] = []

    def verb(s: Session, by: By) -> dict[str, Any]:
        terminal, secret = enrol_terminal(s, by, body.area)
        secrets[:] = [secret]
        at = catalogue.stations_by_area(s).get(terminal.area, 0)
        return {"terminal": code_of(s, "terminal", terminal.id), "area": terminal.area, "stations": at}

    answer = call.do("enrol_terminal", body, verb)
    return EnrolledOut(**answer, cookie=secrets[0] if secrets else None)


@router.post("/terminals/{terminal}/retire", summary="Retire a floor terminal: its cookie is worth nothing from now on")
def post_retire_terminal(terminal: str, body: Told, call: Calling) -> list[TerminalOut]:
    def verb(s: Session, by: By) -> dict[str, Any]:
        retire_terminal(s, by, resolve(s, terminal, "terminal").id)
        return {"left": _terminals(s)}

    return [TerminalOut(**one) for one in call.do("retire_terminal", body, verb, path={"terminal": terminal})["left"]]


@router.get("/tokens", summary="The tokens of machines that are in force")
def list_tokens(call: Calling) -> list[TokenOut]:
    if not call.who.has("administer"):
        raise not_allowed(call.who.actor.name, "see the tokens of machines", ("administer",))
    with call.house.reading() as session:
        return [
            TokenOut(token=t.id, name=t.name, duties=t.duties.split(","), valid_until=t.valid_until, may_state_facts=t.may_state_facts)
            for t in tokens_in_force(session)
        ]


@router.post("/tokens", summary="Make a machine's token. It is shown once")
def post_token(body: TokenIn, call: Calling) -> MadeTokenOut:
    secrets: list[str] = []

    def verb(s: Session, by: By) -> dict[str, Any]:
        token, secret = make_token(s, by, body.name, tuple(body.duties), body.valid_until, may_state_facts=body.may_state_facts)
        secrets[:] = [secret]
        return {"token": token.id}

    answer = call.do("make_token", body, verb)
    return MadeTokenOut(**answer, secret=secrets[0] if secrets else None)


@router.post("/tokens/{token}/revoke", summary="Revoke a machine's token")
def post_revoke_token(token: InPath, body: Told, call: Calling) -> MadeTokenOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        revoke_token(s, by, token)
        return {"token": token}

    return MadeTokenOut(**call.do("revoke_token", body, verb, path={"token": token}), secret=None)


def _told(session: Session, person: int) -> dict[str, Any]:
    session.flush()
    return _out(everyone(session, person)[0]).model_dump(mode="json")


def _out(known: Known) -> PersonOut:
    certificates = [CertificateIn(name=one.name, valid_until=one.valid_until) for one in known.certificates]
    return PersonOut(person=known.badge, name=known.name, duties=list(known.duties), certificates=certificates)


def _certified(given: list[CertificateIn]) -> list[Certified]:
    return [Certified(one.name, one.valid_until) for one in given]
