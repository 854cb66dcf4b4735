"""The OpenAPI document: what a stranger must know before the first call, and an example for each body and answer.

Examples are put together from those of the fields, so they can't miss a field that was added; tests check them against the schemas.
"""

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI

from app.journal.actions import ACTIONS
from app.machines.calls import Problem
from app.machines.catalogue_words import put_words
from app.people.doors import DOORS, EVERYONE, ROWS

KIND_WORDS = {
    "bad_input": "it can't be understood, or contradicts itself; the reason names the field, line or element",
    "unknown_code": "a code or number leads to nothing",
    "ambiguous_code": "another's number names several things of ours; the reason lists their codes",
    "key_reused": "the idempotency key was used for something else",
    "suspect_file": "the scanner of the site found something in the file, of which nothing was kept",
    "duty": "the caller does not have the duty that this needs, or nobody is signed in",
    "password": "it needs a signature, and none was given or it was wrong",
    "too_many_tries": "too many wrong secrets were given; `Retry-After` says for how many seconds no more are taken",
    "changed": "it is not as the caller saw it any more",
    "in_work": "someone else has it in work",
    "finished": "it has ended, was closed, or was done before",
    "not_here": "it lies elsewhere, is empty, or was shipped",
    "held": "it, or something that it came from, is held",
    "not_next_step": "the route has another step next",
    "steps_differ": "things that should go together stand at different steps, rounds, products or revisions",
    "judgement_open": "a judged step before has no conforming judgement, and nobody signed at risk",
    "barrier_open": "it is the barrier, and a judgement or a count is open",
    "revision_inactive": "no revision of the route is active",
    "station_cannot": "the station can't do this operation",
    "station_down": "the station's state allows no work",
    "station_held": "the station is held",
    "calibration": "the station is past its calibration date",
    "certificate": "the person does not have the certificate, or it has lapsed",
    "material_missing": "a material that the step needs is not on the station",
    "material_wrong": "the material, wafer or lead frame is of another part",
    "material_lapsed": "the material has expired or is past its pot life",
    "material_held": "the material is held",
    "order_differs": "the customer's order asks for something else",
    "window_over": "the time between two steps has run out; the reason says which step to repeat, or that none may be",
    "window_early": "the time between two steps has not yet passed",
    "repeats_used": "the step was repeated as often as it may be",
    "recipe_differs": "things of one load need different recipes or revisions",
    "capacity": "there is no room in the oven, on the shelf, on the place or in the pack",
    "container_taken": "the container holds something else",
    "role_wrong": "the wafer is of a role that this step does not place",
    "too_few_units": "there are not so many units",
    "too_many_lots": "a pack may not hold units of so many lots",
    "pack_short": "the pack is not full, and no reason was given",
    "pack_open": "the pack is not closed",
    "grade_differs": "units of different product, bin or grade don't go together",
    "grade_unwanted": "this grade may not be sold so",
    "line_not_clear": "nobody said that the machine is clear of the lot before",
}
_HEAD = """\
Every action and every question of the factory. Send a machine's token as `Authorization: Bearer rr_...`.

**Codes.** What an answer calls `lot`, `pack`, `run` and so on is a code; send it back wherever a thing is named. Another's number for the
same thing (a supplier's batch number, a wafer's identity, a mark on a frame) does as well, if it names one thing only;
one with a slash can't stand in an address: `/things?code=` gives the code. Runs' lines, marks,
counts and logs have numbers. In a trace, a record and sums of counts `station` is a name, and its code stands beside it.
A magazine, tray, jar or box stands for what is in it. An empty query parameter is as good as none.

**Writing.** A call that changes something takes the header `Idempotency-Key`: the same key and the same content get the first answer again,
and nothing happens twice. Times are ISO 8601 with a zone. `happened_at` says when it happened, if not now; `fact` says that it was done
already: it is recorded whatever it is, and held where a rule was broken. `fact` needs a lead, or a token with
`may_state_facts`; `happened_at` one of these, or a token with the duty lead. Beside files they are fields of the form; for the catalogue they
stand in the address.

**Duties.** Each call says which duties open it to a token or person.

**Signatures.** A signed action needs `signed_by` (a badge) and `password` of a person with the duty, who has chosen it: one that another gave
signs nothing until it was changed at the first sign-in. A machine may bring such a signature only
for actions that its own duties cover; it can't sign by itself.

**Refusals** are problem documents (RFC 9457). `kind` is the first that applies of this closed list, `kinds` all of them, and each of the
`reasons` says why, what to do now, and where:

"""
_TAGS = {
    "people": "People, duties, certificates, secrets; floor terminals; machines' tokens.",
    "catalogue": "What may be built, how, where, for whom.",
    "receiving": "Wafers with their die maps, material batches, lead-frame panels.",
    "floor": "Lots, containers, material on stations, marks, samples, scrap, counts, signatures.",
    "paper": "What was done on paper while the server was down.",
    "corrections": "What was entered wrongly, replaced in the open; marks, readings, counts and files have their own calls beside what they correct.",
    "runs": "Work at stations: start, finish, interrupt, abort, void; singulation and test.",
    "placements": "Which die sits on which cell.",
    "ovens": "Loads, loggers' files, judgement of cures.",
    "packing": "Packs: fill, close, dry pack, rework, ship, take back.",
    "holds": "Stop and release.",
    "trace": "Back to the origins, forward to packs and customers.",
    "lists": "What there is, the journal, and the check of the whole record.",
}
_METHODS = ("get", "post", "put", "delete", "patch")


def describe(app: FastAPI) -> None:
    """The app's document gets its head, the words of its rooms, and an example for each body and answer."""
    made: Callable[[], dict[str, Any]] = app.openapi

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            _complete(made())
        return made()

    app.description = _HEAD + "\n".join(f"- `{kind}`: {words}" for kind, words in KIND_WORDS.items())
    app.openapi_tags = [{"name": name, "description": words} for name, words in _TAGS.items()]
    app.openapi = document  # type: ignore[method-assign]


def _complete(document: dict[str, Any]) -> None:
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    document["components"]["schemas"] |= problem.pop("$defs") | {"Problem": problem}
    put_words(document["components"]["schemas"])
    for path, calls in document["paths"].items():
        for method, call in calls.items():
            if method not in _METHODS:
                continue
            call["description"] = "\n\n".join(filter(None, [call.get("description"), _whom_it_opens_to(f"{method.upper()} {path}")]))
            if method == "get":  # nothing happens that a key could keep from happening twice
                call["parameters"] = [one for one in call.get("parameters", []) if one["name"] != "idempotency-key"]
            for content in _contents(call):
                if "example" not in content and "schema" in content:
                    content["example"] = example_of(content["schema"], document)


def _whom_it_opens_to(route: str) -> str:
    row, duties = ROWS.get(route), DOORS[route]
    needs = "Any duty opens it." if set(duties) == set(EVERYONE) else f"It needs the duty {' or '.join(duties)}."
    return f"{needs} Signed." if isinstance(row, str) and ACTIONS[row].signed else needs


def _contents(call: dict[str, Any]) -> list[dict[str, Any]]:
    bodies = [call.get("requestBody", {}), *(answer for status, answer in call.get("responses", {}).items() if str(status) in ("200", "409"))]
    return [content for body in bodies for content in body.get("content", {}).values()]


def example_of(schema: dict[str, Any], document: dict[str, Any]) -> Any:
    """A value that the schema takes: from its example, its default, its parts; files are words."""
    if "$ref" in schema:
        return example_of(document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]], document)
    if "examples" in schema:
        return schema["examples"][0]
    if "example" in schema:
        return schema["example"]
    if "const" in schema or "enum" in schema:
        return schema.get("const", schema.get("enum", [None])[0])
    for choice in schema.get("anyOf", []):
        if choice.get("type") != "null":
            return example_of(choice, document)
    if schema.get("type") == "array":
        return [example_of(schema["items"], document)]
    if schema.get("type") == "object" or "properties" in schema:
        return {name: example_of(one, document) for name, one in schema.get("properties", {}).items() if _is_shown(name, one, schema)}
    return schema.get("default", _PLAIN.get(str(schema.get("type"))))


def _is_shown(name: str, schema: dict[str, Any], whole: dict[str, Any]) -> bool:
    """What must be sent, and what has an example of its own; other optional fields are left out."""
    if name in whole.get("required", ()):
        return True
    if schema.get("examples") == [None]:
        return False
    inner = [schema, *schema.get("anyOf", [])]
    return any(one.get("examples", [None])[0] is not None for one in inner) and name not in ("happened_at", "fact")


_PLAIN = {"boolean": True, "string": "...", "number": 1.0, "integer": 1}
