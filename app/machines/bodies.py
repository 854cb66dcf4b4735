"""Pieces that bodies and answers share: who did it and when, names, codes, values, counts. Times carry a zone."""

from typing import Annotated, Any

from fastapi import Path
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from app.catalogue import definitions


def printable(text: str) -> str:
    """The text, if it has no control characters: PostgreSQL takes no zero byte."""
    if not all(sign.isprintable() or sign in "\n\t" for sign in text):
        raise ValueError("it has control characters; send it without them")
    return text


LARGEST = 2**63 - 1  # what the databases count to
Text = Annotated[str, AfterValidator(printable), Field(max_length=1000)]
Name = Annotated[Text, Field(min_length=1, max_length=120, description="A code of ours, or another's number for the same thing.")]
Words = Annotated[Text, Field(min_length=1, max_length=1000)]
Units = Annotated[int, Field(ge=1, le=1_000_000_000, examples=[30])]
Uncertainty = Annotated[float, Field(ge=0, le=1_000_000_000, description="Standard uncertainty, units.")]
Method = Annotated[Text, Field(description="How it was counted: cells, counter, pockets, weight or hand.")]
Moment = Annotated[definitions.Moment, Field(examples=["2026-03-01T07:30:00+01:00"])]
Number = Annotated[int, Field(ge=1, le=LARGEST, description="A number that an answer gave.", examples=[57])]
InPath = Annotated[int, Path(ge=1, le=LARGEST, description="A number that an answer gave.", examples=[57])]
Round = Annotated[
    int, Field(ge=1, examples=[1], description="Which time the step is done: 2 when it is repeated, or after a rework. Dies set right stay in 1.")
]

# codes as they stand in answers, with one example each
WaferCode = Annotated[str, Field(examples=["W26-000031-8"])]
BatchCode = Annotated[str, Field(examples=["B26-000012-0"])]
PanelCode = Annotated[str, Field(examples=["P26-000407-8"])]
LotCode = Annotated[str, Field(examples=["L26-000058-T"])]
SampleCode = Annotated[str, Field(examples=["X26-000004-K"])]
PackCode = Annotated[str, Field(examples=["K26-000096-9"])]
ContainerCode = Annotated[str, Field(examples=["C-0118-W"])]
StationCode = Annotated[str, Field(examples=["S-0006-H"])]
LoadCode = Annotated[str, Field(examples=["V26-000009-X"])]
RunCode = Annotated[str, Field(examples=["R26-000212-5"])]
HoldCode = Annotated[str, Field(examples=["H26-000003-K"])]
ShipmentCode = Annotated[str, Field(examples=["D26-000017-1"])]
Badge = Annotated[str, Field(examples=["E-0004-P"])]

# the same where a call names a thing: a code of ours, or another's number for it
PartNumber = Annotated[Name, Field(description="Part number, as the catalogue has it.", examples=["GLUE-7"])]
ABatch = Annotated[Name, Field(examples=["B26-000012-0"])]
Panels = Annotated[list[Annotated[Name, Field(examples=["P26-000407-8"])]], Field(max_length=100_000)]
ALot = Annotated[Name, Field(description="A loose lot, or the jar that it is alone in.", examples=["L26-000058-T"])]
Container = Annotated[Name, Field(examples=["C-0118-W"])]
AStation = Annotated[Name, Field(description="Code of the station.", examples=["S-0006-H"])]
APack = Annotated[Name, Field(examples=["K26-000096-9"])]
APerson = Annotated[Name, Field(description="Badge code.", examples=["E-0004-P"])]
AThing = Annotated[Name, Field(examples=["C-0118-W"])]
AnOrder = Annotated[Name, Field(description="The customer's order, by number or code.", examples=["QL-26-0418"])]
ACustomer = Annotated[Name, Field(description="The customer, by name.", examples=["Quillmere Lighting"])]
Disposition = Annotated[
    Name, Field(description="ISO 9000: concession, rework, repair, regrade, scrap or return to supplier.", examples=["concession"])
]


def shown(*examples: dict[str, Any]) -> ConfigDict:
    """For a body of which not every field goes with every other: what the document shows of it."""
    return ConfigDict(json_schema_extra={"examples": list(examples)})


class Told(BaseModel):
    """What every writing call may state."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    happened_at: Moment | None = Field(None, description="When it happened, if not now. ISO 8601 with a zone.")
    fact: bool = Field(False, description="Told after it happened, by one who may: recorded and held, never refused for a rule.")


class Signed(Told):
    """A call that needs a signature: the signer's badge and password, or the password of the person who is signed in."""

    signed_by: Name | None = Field(None, description="Badge code of the signer. Empty: the person who is signed in.", examples=["E-0004-P"])
    password: Text | None = Field(None, description="The signer's password. Never kept.", examples=["the signer's own"])


class ByPerson(Told):
    person: Name | None = Field(None, description="Badge code of who did it, if not the caller.", examples=["E-0004-P"])


class ValueIn(BaseModel):
    """A value that the step records."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    name: Name = Field(description="As the step's records name it.", examples=["pull"])
    value: float = Field(examples=[5.1])
    unit: Text | None = Field(None, description="If given: it must be the step's own.", examples=["gf"])


class CountIn(BaseModel):
    """A count: how many, by which method, with what standard uncertainty (units)."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    units: Annotated[int, Field(ge=0, le=1_000_000_000, examples=[4480])]
    method: Method = "hand"
    u: Uncertainty = 0.0


class CellIn(BaseModel):
    """A unit position on a panel, by row and column, both counted from 1."""

    model_config = ConfigDict(extra="forbid")

    row: Annotated[int, Field(ge=1, le=1000, examples=[2])]
    column: Annotated[int, Field(ge=1, le=1000, examples=[7])]


class Answer(BaseModel):
    """What is answered, or a piece of it. Made ready when it is first wanted: all of them together were an eighth of every start."""

    model_config = ConfigDict(defer_build=True)


class DoneOut(Answer):
    done: bool = True
