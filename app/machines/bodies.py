"""Pieces that request bodies share: who did it and when, names, values, counts. Times carry a zone."""

from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field


def _printable(text: str) -> str:
    if not all(sign.isprintable() or sign in "\n\t" for sign in text):
        raise ValueError("it has control characters; send it without them")
    return text


Text = Annotated[str, AfterValidator(_printable)]
Name = Annotated[Text, Field(min_length=1, max_length=120, description="A code of ours, or another's number for the same thing.")]
Words = Annotated[Text, Field(min_length=1, max_length=1000)]
Units = Annotated[int, Field(ge=1, le=1_000_000_000)]
Method = Annotated[str, Field(description="How it was counted: cells, counter, pockets, weight or hand.")]


class Told(BaseModel):
    """What every writing call may state."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    happened_at: AwareDatetime | None = Field(None, description="When it happened, if not now. ISO 8601 with a zone.")
    fact: bool = Field(False, description="Told after it happened, by one who may: recorded and held, never refused for a rule.")


class Signed(Told):
    """A call that needs a signature: the signer's badge and password, or the password of the person who is signed in."""

    signed_by: str | None = Field(None, description="Badge code of the signer. Empty: the person who is signed in.")
    password: str | None = Field(None, description="The signer's password. Never kept.")


class ByPerson(Told):
    person: Name | None = Field(None, description="Badge code of who did it, if not the caller.")


class ValueIn(BaseModel):
    """A value that the step records."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    name: Name
    value: float
    unit: str | None = None


class CountIn(BaseModel):
    """A count: how many, by which method, with what standard uncertainty (units)."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    units: Annotated[int, Field(ge=0)]
    method: Method = "hand"
    u: Annotated[float, Field(ge=0)] = 0.0


class CellIn(BaseModel):
    """A unit position on a panel, by row and column, both counted from 1."""

    model_config = ConfigDict(extra="forbid")

    row: Annotated[int, Field(ge=1)]
    column: Annotated[int, Field(ge=1)]
