"""Which judged lines of some panels are open: no judgement in force that conforms, and no disposition signed."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from app.listed import Question, listed, together, tuples
from app.naming.resolve import codes_of


@dataclass(frozen=True)
class OpenJudgement:
    """A judged line that is open for a panel. `at_risk`: a lead signed that this panel may go on meanwhile."""

    panel: int
    line: int
    run: int
    run_code: str
    step: str
    judged: str
    verdict: str | None  # of the judgement in force, if there is one
    at_risk: bool


def open_judgements(session: Session, panels: list[int]) -> dict[int, list[OpenJudgement]]:
    """The lines that did a judged step for these panels and are open. An aborted round has no verdict of its own."""
    return with_risks_signed(session, *together(session, open_lines(panels)))


def open_lines(panels: list[int]) -> Question[list[Any]]:
    """The first of two questions: nearly always there are none."""
    wanted = set(panels)
    return Question(_OPEN, {"panels": panels}, lambda rows: [row for row in rows if row.panel in wanted])


def with_risks_signed(session: Session, rows: list[Any]) -> dict[int, list[OpenJudgement]]:
    """What `open_lines` told, and for what of it a lead signed."""
    if not rows:
        return {}
    found: defaultdict[int, list[OpenJudgement]] = defaultdict(list)
    signed = set(tuples(session, _SIGNED, lines={row.line for row in rows}))
    runs = codes_of(session, "run", sorted({row.run for row in rows}))
    for row in rows:
        found[row.panel].append(
            OpenJudgement(row.panel, row.line, row.run, runs[row.run], row.step, row.judged, row.verdict, (row.line, row.panel) in signed)
        )
    return dict(found)


# a line with placement logs to come is judged as soon as it did anything; a cure when the step was done. It tells of all panels of the sets:
# PostgreSQL would seek each in a list of those that are meant, from its beginning, and of a thousand lots that took ten seconds
_OPEN = listed(
    """
    select m.panel, l.id as line, l.run, l.step, l.judged, j.verdict
    from (select distinct "set" as id from member where panel in :panels) s
    cross join cover c cross join line l
    left join judgement j on j.line = l.id and not exists (select 1 from judgement later where later.replaces = j.id)
    cross join member m
    where c."set" = s.id and l.id = c.line and c.done and l.judged is not null
      and (j.id is null or j.verdict <> 'conforms')
      and not exists (select 1 from disposition d where d.judgement = j.id)
      and not exists (select 1 from run_void v where v.run = l.run)
      and m."set" = c."set"
    order by m.panel, l.id
    """,
    "panels",
)
_SIGNED = listed('select a.line, m.panel from at_risk a join member m on m."set" = a."set" where a.line in :lines', "lines")
