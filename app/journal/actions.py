"""The closed list of actions: their words in the journal, the duties that may do them, and which need a signature."""

from dataclasses import dataclass

OPERATE = ("operate", "lead", "quality", "engineer")
LEAD = ("lead",)
QUALITY = ("quality",)
ENGINEER = ("engineer",)
ADMINISTER = ("administer",)
STORES = ("operate", "lead", "engineer")


@dataclass(frozen=True)
class Action:
    """`words` complete "may not ..."; `alone` takes the holds' lock alone from the start."""

    words: str
    duties: tuple[str, ...]
    signed: bool = False
    alone: bool = False


ACTIONS: dict[str, Action] = {
    # people
    "make_administrator": Action("make the first administrator", ADMINISTER, alone=True),
    "add_person": Action("add a person", ADMINISTER),
    "change_person": Action("change a person", ADMINISTER),
    "set_secret": Action("set a PIN or password", ("operate", "lead", "quality", "engineer", "administer")),
    "give_secret": Action("give someone a new PIN or password", ADMINISTER),
    "set_second_factor": Action("set up a second factor", ("operate", "lead", "quality", "engineer", "administer")),
    "end_second_factor": Action("end someone's second factor", ADMINISTER),
    "end_sessions": Action("end someone's sessions", ADMINISTER),
    "enrol_terminal": Action("enrol a terminal", ("administer", "lead")),
    "retire_terminal": Action("retire a terminal", ("administer", "lead")),
    "make_token": Action("make a machine's token", ADMINISTER),
    "revoke_token": Action("revoke a machine's token", ADMINISTER),
    # catalogue
    "load_catalogue": Action("load a catalogue", ("engineer", "administer")),
    "approve_route": Action("approve a route revision", ENGINEER, signed=True),
    "retire_route": Action("retire a route revision", ENGINEER, signed=True),
    "move_to_revision": Action("move a lot to another route revision", ENGINEER, signed=True),
    # receiving
    "receive_wafers": Action("receive wafers", STORES),
    "correct_die_map": Action("correct a die map", ENGINEER),
    "receive_batch": Action("receive a material batch", STORES),
    "open_batch": Action("open a material batch", STORES),
    "mix_batches": Action("mix material batches", STORES),
    "import_origin_document": Action("import a supplier's document of origin", (*STORES, "quality")),
    "receive_panels": Action("receive panels", STORES),
    # floor
    "add_container": Action("add a container", ("lead", "engineer", "administer", "operate")),
    "fill_container": Action("put something into a container", OPERATE),
    "empty_container": Action("empty a container", OPERATE),
    "correct_content": Action("correct what is in a container", OPERATE, alone=True),
    "start_lot": Action("start a lot", OPERATE),
    "split_lot": Action("split a lot", OPERATE),
    "merge_lots": Action("merge lots", OPERATE),
    "mount": Action("mount material", OPERATE),
    "unmount": Action("take material off", OPERATE),
    "correct_mount": Action("correct what was mounted", OPERATE, alone=True),
    "start_run": Action("start a run", OPERATE),
    "change_over": Action("change material over", OPERATE),
    "interrupt_run": Action("interrupt a run", OPERATE),
    "abort_run": Action("abort a run", OPERATE),
    "finish_run": Action("finish a run", OPERATE),
    "void_run": Action("void a run", ("operate", "lead"), alone=True),
    "mark_cells": Action("mark cells", OPERATE),
    "correct_marks": Action("correct marks", LEAD),
    "take_reading": Action("record a reading", OPERATE),
    "correct_reading": Action("correct a reading", ("lead", "quality")),
    "scrap": Action("scrap units", OPERATE),
    "take_sample": Action("take a sample", ("operate", "lead", "quality")),
    "count_units": Action("enter a count", OPERATE),
    "correct_count": Action("take back a count", LEAD),
    "sign_difference": Action("sign for a difference", ("lead", "quality"), signed=True),
    "go_on_at_risk": Action("let panels go on at risk", LEAD, signed=True),
    "set_station_state": Action("set a station's state", OPERATE),
    "attend_station": Action("attend a station", OPERATE),
    "hand_over": Action("hand stations over", OPERATE),
    "import_placements": Action("import a placement log", OPERATE),
    "move_item": Action("move a thing", OPERATE),
    "correct_move": Action("correct a move", ("operate", "lead")),
    "keep_refused_file": Action("send a file", ("operate", "lead", "quality", "engineer", "administer")),
    # ovens
    "begin_load": Action("begin an oven load", OPERATE),
    "add_to_load": Action("put panels into an oven load", OPERATE),
    "take_from_load": Action("take panels out of an oven load", OPERATE),
    "cancel_load": Action("cancel an oven load", OPERATE),
    "start_load": Action("start an oven load", OPERATE),
    "end_load": Action("end an oven load", OPERATE),
    "abort_load": Action("abort an oven load", OPERATE),
    "import_logger_file": Action("import a logger's file", OPERATE, alone=True),
    "judge": Action("judge a run line", ("quality", "engineer", "lead"), alone=True),
    # final test, packing
    "singulate": Action("singulate panels", OPERATE),
    "split_loose": Action("split a loose lot", OPERATE),
    "merge_loose": Action("merge loose lots", OPERATE),
    "import_unit_results": Action("import unit results", OPERATE),
    "correct_unit_results": Action("correct unit results", ("operate", "lead"), alone=True),
    "bin_out": Action("take the bins of a test out", OPERATE),
    "fill_pack": Action("fill a pack", OPERATE),
    "close_pack": Action("close a pack", OPERATE),
    "seal_pack": Action("dry pack a pack", OPERATE),
    "re_reel": Action("re-reel a pack", OPERATE),
    "cut_pack": Action("cut a pack", OPERATE),
    "join_packs": Action("join packs", OPERATE),
    "take_off_tape": Action("take units off the tape", OPERATE),
    "ship": Action("ship packs", OPERATE),
    "take_back": Action("take packs back", OPERATE),
    # stop and release
    "place_hold": Action("place a hold", ("operate", "lead", "quality", "engineer"), alone=True),
    "release_hold": Action("release a hold", QUALITY, signed=True, alone=True),
    "dispose": Action("sign a disposition", QUALITY, signed=True, alone=True),
    # rehearsal
    "mock_recall": Action("rehearse a recall", ("lead", "quality", "engineer")),
    # back entry
    "back_entry": Action("enter what was done on paper", LEAD, alone=True),
}
