"""What the record of a pack or lot is over the API, part by part."""

from datetime import datetime
from typing import Any

from pydantic import Field

from app.machines.bodies import Answer, HoldCode, LotCode, Number, PanelCode, Round, RunCode, StationCode
from app.machines.genealogy import TraceItem
from app.machines.origins import OriginOut

_AT: Any = Field(examples=["2026-03-01T06:30:00Z"])
_SOMEBODY: Any = Field(examples=["Mara Lind"])


class FillOnRecord(Answer):
    """Pockets, counted from the hub, and the loose lot whose units lie in them."""

    first: int = Field(examples=[1])
    last: int = Field(examples=[4500])
    units: int = Field(examples=[4500])
    lot: LotCode


class MoveOnRecord(Answer):
    where: str = Field(examples=["shipped: Quillmere Lighting"])
    at: datetime = _AT
    shipment: str = Field(examples=["D26-000017-1"])
    diverted: str = Field(description="Why it went there, if it was filled for another customer's order.", examples=[""])
    why_back: str = Field(description="Of a return: why it came back, if it was said.", examples=[""])


class PackOnRecord(Answer):
    form: str = Field(examples=["reel"])
    part_number: str = Field(examples=["P1"])
    bin: str = Field(examples=["B1"])
    grade: str = Field(examples=["prime"])
    units: int = Field(examples=[4500])
    size: int = Field(examples=[4500])
    closed: bool
    closed_at: datetime | None = _AT
    short_reason: str = Field(examples=[""])
    date_code: str = Field(examples=["2609"])
    order: str = Field(examples=["QL-26-0418"])
    customer: str = Field(examples=["Quillmere Lighting"])
    sealed_at: datetime | None = _AT
    is_opened: bool = Field(description="Its bag, since it was sealed: units were taken out.")
    came_back: bool = Field(description="From a customer, since it was sealed: whether its bag was open there is on no record.")
    moisture_level: str = Field(examples=["3"])
    use_before: datetime | None = _AT
    fills: list[FillOnRecord]
    moves: list[MoveOnRecord]


class RecordLotOut(Answer):
    form: str = Field(description="panel or loose.", examples=["loose"])
    product: str = Field(examples=["P1"])
    bin: str = Field(examples=["B1"])
    grade: str = Field(examples=["prime"])
    order: str = Field(examples=["QL-26-0418"])
    customer: str = Field(examples=["Quillmere Lighting"])
    units_in: int = Field(examples=[9600])
    units_gone: int = Field(description="All that left, scrap, samples and differences too.", examples=[4500])
    left: int = Field(examples=[5100])
    u: float = Field(description="Standard uncertainty of what is left.", examples=[0.0])
    unexplained: int = Field(examples=[0])
    closes: bool


class BookOut(Answer):
    """in = out + scrapped + sampled + difference + left, of a loose lot on the way."""

    lot: LotCode
    words: str = Field(examples=["loose B1 prime"])
    units_in: int = Field(examples=[9600])
    units_out: int = Field(examples=[4500])
    scrapped: int = Field(examples=[0])
    sampled: int = Field(examples=[20])
    difference: int = Field(examples=[0])
    left: int = Field(examples=[5080])
    u: float = Field(examples=[0.0])
    unsigned: bool = Field(description="A difference beyond counting that nobody has signed for.")


class PanelsOnRecord(Answer):
    panels: int = Field(examples=[24])
    cells: int = Field(examples=[9600])
    units: int = Field(description="Good units that left them on this way.", examples=[9516])


class UsedOut(Answer):
    code: str = Field(examples=["B26-000012-0"])
    words: str = Field(examples=["adhesive GLUE-7"])
    number: str = Field(description="Other people's numbers for it.", examples=["HC-20881"])
    place: str = Field(examples=[""])
    until: datetime | None = Field(description="The earlier of its expiry and the end of its pot life.", examples=["2026-09-01T00:00:00Z"])
    had_lapsed: bool = Field(description="When the line began.")
    perhaps: bool = Field(description="Another lay beside it for the same need of the step: each unit had one of them.")


class ReadOut(Answer):
    name: str = Field(examples=["pull"])
    value: str = Field(examples=["5.1 gf"])
    limits: str = Field(examples=["3 or more"])
    within: bool


class CountOnRecord(Answer):
    what: str = Field(examples=["counted"])
    units: int = Field(examples=[9516])
    method: str = Field(examples=["weight"])
    u: float = Field(examples=[19.4])
    reason: str = Field(examples=[""])


class SignedOut(Answer):
    who: str = _SOMEBODY
    at: datetime = _AT
    words: str = Field(examples=["concession: looked at, fine"])


class JudgementOnRecord(Answer):
    verdict: str = Field(description="In words: conforms, does not conform or cannot be told.", examples=["conforms"])
    conforms: bool
    reasons: list[str] = Field(examples=[[]])
    by: SignedOut
    decided: SignedOut | None = Field(description="The disposition that was signed.")


class RecordRunOut(Answer):
    """One line of one run, in order of its beginning."""

    run: RunCode
    line: Number
    load: str = Field(examples=["V26-000009-X"])
    operation: str = Field(examples=["cure"])
    step: str | None = Field(examples=["cure-1"])
    round: Round
    shelf: str = Field(examples=["2"])
    station: str = Field(description="Its name; a code elsewhere, which is `station_code` here.", examples=["Oven 1"])
    station_code: StationCode
    recipe: str = Field(examples=["C170"])
    person: str = _SOMEBODY
    started_at: datetime = _AT
    ended_at: datetime | None = _AT
    told_by: str = Field(description="Whose word for the times, where not the server's.", examples=[""])
    on_paper: bool
    outcome: str = Field(examples=["done"])
    extent: str = Field(description="whole, either (one side of a change-over) or open.", examples=["whole"])
    panels: str = Field(description="How many of the panels on the way.", examples=["all 24 panels"])
    least: int = Field(description="Units of the subject that surely had it.", examples=[4500])
    greatest: int = Field(examples=[4500])
    materials: list[UsedOut]
    readings: list[ReadOut]
    counts: list[CountOnRecord]
    marks: dict[str, int] = Field(description="Cells marked, by reason.", examples=[{"die missing": 3}])
    placed: str = Field(examples=["9,600 dies placed in this run, 2 at fault, 1 lost"])
    waits_for: str = Field(description="The judgement that it waits for, while there is none.", examples=[""])
    judged: JudgementOnRecord | None
    at_risk: SignedOut | None


class ShelfOnRecord(Answer):
    shelf: str = Field(examples=["2"])
    verdicts: dict[str, str] = Field(description="By lot, in words.", examples=[{"L26-000058-T": "does not conform"}])
    soak_minutes: float | None = Field(examples=[104.2])
    reasons: list[str] = Field(examples=[[]])
    sensors: list[dict[str, Any]] = Field(
        description="What the judgement counted of each.", examples=[[{"sensor": "T3", "least_c": 24.1, "greatest_c": 171.2}]]
    )


class CureOut(Answer):
    run: RunCode
    load: str = Field(examples=["V26-000009-X"])
    oven: str = Field(examples=["Oven 1"])
    started_at: datetime = _AT
    ended_at: datetime | None = _AT
    has_logger_file: bool
    shelves: list[ShelfOnRecord]


class HeatOnRecord(Answer):
    """An adhesive on some panels. Minutes are equivalent ones at `reference_c`."""

    panels: list[PanelCode]
    part: str = Field(examples=["GLUE-7"])
    batches: list[str] = Field(examples=[["B26-000012-0"]])
    step: str = Field(examples=["attach"])
    placed_at: datetime = _AT
    recipe: str | None = Field(examples=["C170"])
    reference_c: float | None = Field(examples=[170.0])
    needed: float | None = Field(examples=[90.0])
    least: float | None = Field(description="On the coldest sensor.", examples=[101.4])
    greatest: float | None = Field(examples=[118.0])
    short: float | None = Field(examples=[0.0])
    complete: bool | None = Field(description="The record of every cure is whole; else it is at least so much.", examples=[True])


class ColourOut(Answer):
    x: str = Field(examples=["x_red"])
    y: str = Field(examples=["y_red"])
    bin: str = Field(examples=["B1"])
    units: int = Field(examples=[8800])
    mean_x: float | None = Field(description="Of the cells of the picture, so to within half a cell.", examples=[0.6931])
    mean_y: float | None = Field(examples=[0.3062])


class ResultOut(Answer):
    run: RunCode
    table: str = Field(examples=["B"])
    units: int = Field(examples=[9516])
    by_bin: dict[str, int] = Field(examples=[{"B1": 9214}])
    by_failure: dict[str, int] = Field(examples=[{"E07": 12}])
    tester_bin_differs: int = Field(examples=[0])
    colours: list[ColourOut]


class ReleasedOut(Answer):
    at: datetime = _AT
    who: str = _SOMEBODY
    everything: bool
    things: list[str] = Field(description="Codes of what was let go, where it was not everything.", examples=[["P26-000407-8"]])
    units_freed: int = Field(examples=[4500])
    what: str = Field(examples=["concession"])
    words: str = Field(examples=["looked at, fine"])


class PastHoldOut(Answer):
    code: HoldCode
    reason: str = Field(examples=["wrong adhesive"])
    on: list[tuple[str, str]] = Field(description="Kind and code.", examples=[[("batch", "B26-000012-0")]])
    who: str = _SOMEBODY
    at: datetime = _AT
    automatic: bool
    in_force: bool
    stops: bool = Field(description="It stops the subject now.")
    releases: list[ReleasedOut]


class RiskOut(Answer):
    run: RunCode
    step: str = Field(examples=["cure-1"])
    panels: int = Field(examples=[24])
    reason: str = Field(examples=["the logger's file comes tonight"])
    who: str = _SOMEBODY
    at: datetime = _AT
    ended: str = Field(description="How; empty while it is open.", examples=["judged: conforms"])
    ended_at: datetime | None = _AT


class MissingOut(Answer):
    kind: str = Field(examples=["logger file"])
    about: str = Field(examples=["R26-000212-5"])
    words: str = Field(examples=["no file of the oven's logger covers this cure"])


class FileOut(Answer):
    """`number`: its bytes as they came are at /evidence/{number}."""

    number: Number
    name: str = Field(examples=["oven-1.csv"])
    kind: str = Field(examples=["logger file"])
    size_bytes: int = Field(examples=[81920])
    digest: str = Field(description="SHA-256.", examples=["9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"])
    of: list[str] = Field(description="What it tells of.", examples=[["R26-000212-5"]])
    is_kept: bool


class RecordOut(Answer):
    """Least and greatest, in every list: units of the subject that must and can be of it."""

    kind: str = Field(description="pack or lot.", examples=["pack"])
    code: str = Field(examples=["K26-000096-9"])
    made_at: datetime = _AT
    subject: TraceItem
    is_emptied: bool = Field(description="Nothing is in the pack now: origins, runs and units are of what it held last.")
    pack: PackOnRecord | None
    lot: RecordLotOut | None
    books: list[BookOut] = Field(description="Of the loose lots on the way.")
    panel_count: PanelsOnRecord
    wafers: list[TraceItem]
    batches: list[TraceItem]
    panels: list[TraceItem]
    lots: list[TraceItem]
    packs: list[TraceItem]
    samples: list[TraceItem]
    runs: list[RecordRunOut]
    cures: list[CureOut]
    heat: list[HeatOnRecord]
    results: list[ResultOut]
    holds: list[PastHoldOut]
    risks: list[RiskOut] = Field(description="At-risk marks, and how each ended.")
    undecided: list[Number] = Field(description="Lines judged not to conform, about which nobody has decided.")
    told: list[OriginOut] = Field(description="What suppliers' documents say of its wafers and batches.")
    missing: list[MissingOut] = Field(description="Evidence that should be there and is not.")
    files: list[FileOut]
