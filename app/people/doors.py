"""Which duties open each route, before its handler runs: one table. A route that it does not name opens to nobody."""

from fastapi import Request

from app.errors import NotAllowed, Reason, not_allowed
from app.journal.act import Actor
from app.journal.actions import ACTIONS, ADMINISTER, OPERATE
from app.people.people import DUTIES

EVERYONE = DUTIES  # whoever is signed in: a person without duties can't be
SEES_PEOPLE = ("lead", "administer")  # others see their own page only
EDITORS = ("engineer", "administer")

# GET, for everyone: who works here must be able to look up any thing, and why it is stopped
_READS = """
    / /find /things/{code} /lots /containers /wafers /batches /panels /stations /stations/{code} /runs /loads /packs /shipments /holds
    /people /journal /people/{badge} /terminals /catalogue /catalogue/dump /catalogue/of/{kind} /catalogue/thing/{thing} /floor /floor/state
    /floor/undo/{entry} /floor/stations /floor/cards /wafers/{code} /wafers/{code}/touched /wafers/{code}/chosen /wafers/{code}/map.png
    /wafers/{code}/map.csv /wafers/{code}/dies /wafers/{code}/dies.csv /panels/{code} /panels/{code}/touched /panels/{code}/chosen
    /panels/{code}/map.png /panels/{code}/map.csv /panels/{code}/cells /panels/{code}/cells.csv /stations/{code}/mounts /containers/{code}
    /things/{code}/moves /loads/{code} /loads/{code}/trace /loads/{code}/trace.csv /loads/{code}/sensors.csv /panels/{code}/heat
    /panels/{code}/heat.csv /back-entry /back-entry/{code} /paper /paper/here /paper/area /holds/{code} /holds/{code}/stopped.csv /trace/{code}
    /trace/{code}/csv /trace/{code}/json /trace/{code}/flow.csv /runs/{code} /runs/{code}/results.csv /runs/{code}/chromaticities.csv
    /lots/{code}/results /evidence/{number} /lots/{code} /lots/{code}/sheet /packs/{code} /board /board/now /board/changes /board/lots
    /board/effectiveness /board/shift /packs/{code}/label /codes /do /do/act /exposure /exposure/csv /before-mixing
    /record/{code} /record/{code}/epcis.jsonld /record/{code}/prov /api/v1/record/{code} /api/v1/exports/epcis/{code} /api/v1/exports/prov/{code}
    /api/v1/origins/{code}
    /mock-recalls /mock-recalls.csv /mock-recalls/{number} /mock-recalls/{number}/report.json
    /differs /differs/csv /counts /counts/csv /counts/stations.csv
    /sessions /choose-secret /second-factor
    /packs/{code}/dies /packs/{code}/dies/map.png /packs/{code}/dies.csv /files-in
    /api/v1/people/{person} /api/v1/terminals /api/v1/catalogue /api/v1/catalogue.toml /api/v1/catalogue/{kind} /api/v1/routes/changes
    /api/v1/batches /api/v1/batches/{batch} /api/v1/containers /api/v1/containers/{container} /api/v1/stations/{station}/states
    /api/v1/stations/{station} /api/v1/samples/{sample} /api/v1/next/{thing} /api/v1/runs/{run} /api/v1/wafers/{wafer}
    /api/v1/wafers/{wafer}/map /api/v1/wafers/{wafer}/dies/{x}/{y} /api/v1/panels/{panel}/cells/{row}/{column} /api/v1/panels/{panel}/cells
    /api/v1/panels/{panel} /api/v1/loads/{load} /api/v1/panels/{panel}/heat /api/v1/loads/{load}/heat /api/v1/stations/{station}/mounts
    /api/v1/containers/{container}/contents /api/v1/things/{code}/moves /api/v1/shipments/{shipment} /api/v1/packs /api/v1/packs/{pack}
    /api/v1/packs/{pack}/label /api/v1/holds /api/v1/holds/{hold} /api/v1/stops/{thing} /api/v1/trace/{code} /api/v1/trace/line/{line}
    /api/v1/trace/{code}/csv /api/v1/exposure /api/v1/exposure/csv /api/v1/before_mixing /api/v1/board /api/v1/effectiveness
    /api/v1/shift_report /api/v1/things/{code} /api/v1/lots /api/v1/lots/{lot} /api/v1/runs /api/v1/loads /api/v1/stations /api/v1/journal
    /api/v1/mock_recalls /api/v1/mock_recalls/{number} /api/v1/differs /api/v1/counts /api/v1/packs/{pack}/dies
    /api/v1/packs/{pack}/before_fill /api/v1/things
"""

# a row names the duties, or the action that the route does: its duties stand in the closed list of actions
ROWS: dict[str, str | tuple[str, ...]] = {
    "POST /people": "add_person",
    "POST /people/{badge}/duties": "change_person",
    "POST /people/{badge}/certificates": "change_person",
    "POST /people/{badge}/secret": "give_secret",
    "POST /my-secret": "set_secret",
    "POST /second-factor": "set_second_factor",
    "POST /people/{badge}/second-factor/end": "end_second_factor",
    "POST /sessions/end": EVERYONE,
    "POST /people/{badge}/sessions/end": "end_sessions",
    "GET /security": ADMINISTER,
    "POST /terminals": "enrol_terminal",
    "POST /terminals/{terminal}/retire": "retire_terminal",
    "GET /tokens": ADMINISTER,
    "POST /tokens": "make_token",
    "POST /tokens/{token}/revoke": "revoke_token",
    "GET /catalogue/load": "load_catalogue",
    "POST /catalogue/load/look": "load_catalogue",
    "POST /catalogue/load": "load_catalogue",
    "POST /catalogue/thing/{thing}/approve": "approve_route",
    "POST /catalogue/thing/{thing}/retire": "retire_route",
    "GET /catalogue/edit": EDITORS,
    "POST /catalogue/edit": EDITORS,
    "POST /catalogue/example": EDITORS,
    "POST /files-in/origins": "import_origin_document",
    "POST /files-in/placements": "import_placements",
    "POST /wafers/{code}/scrap": "scrap",
    "POST /floor/scan": EVERYONE,
    "POST /floor/start": "start_run",
    "POST /floor/finish": "finish_run",
    "POST /floor/take-off": "unmount",
    "POST /floor/state": "set_station_state",
    "POST /floor/undo": OPERATE,
    "POST /floor/leave": "attend_station",
    "POST /floor/hand-over": "hand_over",
    "POST /floor/switch": EVERYONE,
    "POST /loads": "begin_load",
    "POST /loads/{code}/put": "add_to_load",
    "POST /loads/{code}/take-out": "take_from_load",
    "POST /loads/{code}/start": "start_load",
    "POST /loads/{code}/end": "end_load",
    "POST /loads/{code}/abort": "abort_load",
    "POST /loads/{code}/interrupt": "interrupt_run",
    "POST /loads/{code}/cancel": "cancel_load",
    "POST /back-entry/{code}": "back_entry",
    "POST /back-entry/{code}/enter": "back_entry",
    "POST /holds": "place_hold",
    "POST /holds/{code}/release": "release_hold",
    "POST /trace/{code}/stop": "place_hold",
    "POST /do/act": EVERYONE,
    "POST /exposure/stop": "place_hold",
    "POST /mock-recalls": "mock_recall",
    "POST /api/v1/mock_recalls": "mock_recall",
    "GET /api/v1/people": SEES_PEOPLE,
    "POST /api/v1/people": "add_person",
    "POST /api/v1/people/{person}/change": "change_person",
    "POST /api/v1/people/{person}/secret": "give_secret",
    "POST /api/v1/people/{person}/end_sessions": "end_sessions",
    "POST /api/v1/people/{person}/end_second_factor": "end_second_factor",
    "POST /api/v1/terminals": "enrol_terminal",
    "POST /api/v1/terminals/{terminal}/retire": "retire_terminal",
    "GET /api/v1/tokens": ADMINISTER,
    "POST /api/v1/tokens": "make_token",
    "POST /api/v1/tokens/{token}/revoke": "revoke_token",
    "POST /api/v1/catalogue": "load_catalogue",
    "POST /api/v1/catalogue/check": "load_catalogue",
    "POST /api/v1/routes/approve": "approve_route",
    "POST /api/v1/routes/retire": "retire_route",
    "POST /api/v1/lots/{lot}/revision": "move_to_revision",
    "POST /api/v1/batches": "receive_batch",
    "POST /api/v1/batches/mix": "mix_batches",
    "POST /api/v1/batches/{batch}/open": "open_batch",
    "POST /api/v1/origins": "import_origin_document",
    "POST /api/v1/panels": "receive_panels",
    "POST /api/v1/wafers": "receive_wafers",
    "POST /api/v1/wafers/{wafer}/map": "correct_die_map",
    "POST /api/v1/containers": "add_container",
    "POST /api/v1/containers/{container}/put": "fill_container",
    "POST /api/v1/containers/{container}/take_out": "empty_container",
    "POST /api/v1/containers/{container}/pour": "fill_container",
    "POST /api/v1/lots": "start_lot",
    "POST /api/v1/lots/{lot}/split": "split_lot",
    "POST /api/v1/lots/{lot}/merge": "merge_lots",
    "POST /api/v1/stations/{station}/mount": "mount",
    "POST /api/v1/stations/{station}/unmount": "unmount",
    "POST /api/v1/stations/{station}/change_over": "change_over",
    "POST /api/v1/stations/{station}/state": "set_station_state",
    "POST /api/v1/stations/{station}/attend": "attend_station",
    "POST /api/v1/hand_over": "hand_over",
    "POST /api/v1/panels/{panel}/marks": "mark_cells",
    "POST /api/v1/marks/{mark}/take_back": "correct_marks",
    "POST /api/v1/scrap": "scrap",
    "POST /api/v1/samples": "take_sample",
    "POST /api/v1/counts": "count_units",
    "POST /api/v1/counts/{count}/take_back": "correct_count",
    "POST /api/v1/counts/sign": "sign_difference",
    "POST /api/v1/at_risk": "go_on_at_risk",
    "POST /api/v1/lines/{line}/disposition": "dispose",
    "POST /api/v1/moves": "move_item",
    "POST /api/v1/runs": "start_run",
    "POST /api/v1/runs/{run}/finish": "finish_run",
    "POST /api/v1/runs/{run}/interrupt": "interrupt_run",
    "POST /api/v1/runs/{run}/abort": "abort_run",
    "POST /api/v1/runs/{run}/void": "void_run",
    "POST /api/v1/runs/{run}/singulate": "singulate",
    "POST /api/v1/runs/{run}/bins": "bin_out",
    "POST /api/v1/runs/{run}/unit_results": "import_unit_results",
    "POST /api/v1/runs/{run}/unit_results/correct": "correct_unit_results",
    "POST /api/v1/runs/{run}/readings": "take_reading",
    "POST /api/v1/readings/{reading}/correct": "correct_reading",
    "POST /api/v1/placement_logs": "import_placements",
    "POST /api/v1/loads": "begin_load",
    "POST /api/v1/loads/{load}/put": "add_to_load",
    "POST /api/v1/loads/{load}/take_out": "take_from_load",
    "POST /api/v1/loads/{load}/cancel": "cancel_load",
    "POST /api/v1/loads/{load}/start": "start_load",
    "POST /api/v1/loads/{load}/end": "end_load",
    "POST /api/v1/loads/{load}/abort": "abort_load",
    "POST /api/v1/logger_files": "import_logger_file",
    "POST /api/v1/lines/{line}/judge": "judge",
    "POST /api/v1/mounts/{mount}/correct": "correct_mount",
    "POST /api/v1/contents/{content}/correct": "correct_content",
    "POST /api/v1/moves/{move}/correct": "correct_move",
    "POST /api/v1/back_entry": "back_entry",
    "POST /api/v1/packs": "fill_pack",
    "POST /api/v1/packs/{pack}/fill": "fill_pack",
    "POST /api/v1/packs/{pack}/close": "close_pack",
    "POST /api/v1/packs/{pack}/dry_pack": "seal_pack",
    "POST /api/v1/packs/{pack}/re_reel": "re_reel",
    "POST /api/v1/packs/{pack}/cut": "cut_pack",
    "POST /api/v1/packs/join": "join_packs",
    "POST /api/v1/packs/{pack}/take_off_tape": "take_off_tape",
    "POST /api/v1/shipments": "ship",
    "POST /api/v1/packs/{pack}/take_back": "take_back",
    "POST /api/v1/holds": "place_hold",
    "POST /api/v1/holds/{hold}/release": "release_hold",
    "GET /api/v1/check": ADMINISTER,
}

DOORS: dict[str, tuple[str, ...]] = {f"GET {path}": EVERYONE for path in _READS.split()} | {
    route: ACTIONS[row].duties if isinstance(row, str) else row for route, row in ROWS.items()
}


def check_door(request: Request, actor: Actor, *, may_bring_signer: bool = False) -> None:
    """Refuses who has none of the duties of the route that was found. `may_bring_signer`: another's signature counts, and the act looks at it."""
    check_duties_of(f"{request.method} {request.scope['route'].path}", actor, may_bring_signer=may_bring_signer)


def check_duties_of(route: str, actor: Actor, *, may_bring_signer: bool = False) -> None:
    """The same by the name of a route, `POST /api/v1/holds`. One without a row here is closed to everybody."""
    row = ROWS.get(route, EVERYONE)
    if route not in DOORS:
        raise NotAllowed("This is closed.", Reason("duty", f"No duty opens {route}.", "Tell the administrator: it is a mistake of the program."))
    if isinstance(row, str) and ACTIONS[row].signed and may_bring_signer:
        return
    if not actor.duties & set(DOORS[route]):
        raise not_allowed(actor.name, ACTIONS[row].words if isinstance(row, str) else "come here", DOORS[route])
