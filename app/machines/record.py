"""The record of a pack or lot over the API: the whole of it in one answer. Pictures stay on the page; here are their numbers."""

from collections.abc import Callable
from dataclasses import fields
from functools import cache
from operator import attrgetter, mul
from typing import Any

from fastapi.responses import Response
from pydantic_core import to_json

from app import clock
from app.catalogue import queries as catalogue
from app.genealogy.doings import Doing
from app.genealogy.pack_page import PackShown
from app.genealogy.record import Cure, Record, RecordLine, TestResults, record_of
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.record_bodies import FillOnRecord, PackOnRecord, RecordOut, RecordRunOut
from app.naming.resolve import resolve

router = call_router("trace")


@router.get("/record/{code}", summary="The whole record of a pack or lot", response_model=RecordOut)
def record(code: str, call: Calling) -> Response:
    with call.house.walking() as session:
        zone = catalogue.site(session).zone
        found = record_of(session, call.house, resolve(session, code, "pack", "lot"), clock.now(), zone)
        return Response(record_json(found), media_type="application/json")


def record_json(found: Record) -> bytes:
    """What `RecordOut` describes, written at once: checking our own rows against it would take longer than finding them."""
    trace = found.trace
    return to_json({
        "kind": found.kind, "code": found.code, "made_at": found.made_at, "subject": trace.subject.as_json(),
        "is_emptied": found.is_emptied,
        "pack": _pack(found.pack) if found.pack else None, "lot": _lot(found), "books": found.books, "panel_count": found.panels,
        **{name: [row.as_json() for row in getattr(trace, name)] for name in ("wafers", "batches", "panels", "lots", "packs", "samples")},
        "runs": [_run(one) for one in found.lines], "cures": [_cure(one) for one in found.cures], "heat": _heat(found),
        "results": [_result(one) for one in found.results], "holds": found.holds, "risks": found.risks,
        "undecided": [one.doing.line for one in found.undecided], "told": found.told, "missing": found.missing, "files": found.files,
    })  # fmt: skip


def _named(one: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return dict(zip(names, _values_of(names)(one), strict=True))


@cache
def _values_of(names: tuple[str, ...]) -> Callable[[Any], Any]:
    return attrgetter(*names)


def _pack(one: PackShown) -> dict[str, Any]:
    return _named(one, tuple(PackOnRecord.model_fields)) | {"fills": [_named(fill, tuple(FillOnRecord.model_fields)) for fill in one.fills]}


def _lot(found: Record) -> dict[str, Any] | None:
    if found.lot is None or found.account is None:
        return None
    book = found.account
    return _named(found.lot, _OF_LOT) | {
        "units_in": book.total_in, "units_gone": book.total_out, "left": book.left, "u": book.u, "unexplained": book.unexplained,
        "closes": book.closes,
    }  # fmt: skip


def _run(one: RecordLine) -> dict[str, Any]:
    doing = one.doing
    return _named(doing, _OF_DOING) | {
        "panels": doing.extent, "person": doing.who, "waits_for": doing.waits, "marks": dict(doing.marks), "extent": one.extent,
        "least": one.least, "greatest": one.greatest,
    }  # fmt: skip


_OF_LOT = ("form", "product", "bin", "grade", "order", "customer")
_OF_DOING = tuple(name for name in RecordRunOut.model_fields if name in {field.name for field in fields(Doing)} - {"extent", "marks"})


def _cure(one: Cure) -> dict[str, Any]:
    shelves = [
        {
            "shelf": shelf.shelf, "verdicts": {on.lot: on.verdict for on in shelf.lots},
            "soak_minutes": shelf.soak["minutes"] if shelf.soak else None,
            "reasons": [reason.text for reason in shelf.reasons], "sensors": [row.facts for row in shelf.rows],
        }
        for shelf in one.trace.shelves
    ]  # fmt: skip
    run = one.trace.run
    return {
        "run": one.run, "load": one.load, "oven": one.oven, "started_at": run.started_at, "ended_at": run.ended_at,
        "has_logger_file": one.trace.trace is not None, "shelves": shelves,
    }  # fmt: skip


def _heat(found: Record) -> list[dict[str, Any]]:
    return [
        _named(one, ("part", "batches", "step", "placed_at", "recipe", "reference_c", "needed", "short"))
        | {
            "panels": same.panels, "least": one.heat.equivalent_minutes_coldest if one.heat else None,
            "greatest": one.heat.equivalent_minutes_hottest if one.heat else None, "complete": one.heat.complete if one.heat else None,
        }
        for same in found.heat
        for one in same.adhesives
    ]  # fmt: skip


def _result(one: TestResults) -> dict[str, Any]:
    shown = one.shown
    colours = []
    for pair in shown.pairs:
        *places, counted = zip(*pair.cells, strict=True) if pair.cells else ((), (), ())
        means = [sum(map(mul, one_axis, counted)) / pair.units if pair.units else None for one_axis in places]
        x, y = pair.axes
        colours.append({"x": x, "y": y, "bin": shown.chosen, "units": pair.units, "mean_x": means[0], "mean_y": means[1]})
    return {
        "run": one.run, "table": shown.table, "units": shown.rows, "by_bin": {bin_.name: bin_.units for bin_ in shown.bins},
        "by_failure": {failure.name: failure.units for failure in shown.failures}, "tester_bin_differs": shown.tester_bin_differs,
        "colours": colours,
    }  # fmt: skip
