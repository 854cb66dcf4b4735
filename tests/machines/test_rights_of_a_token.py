"""What a machine's token may is told by what it lacks: a right of its own, a signature, or a duty, which the document names for each call."""

import re

import pytest
from people.signing_in import call, client, token

from app.db import House
from app.people.people import DUTIES

CALLS = ["POST /batches", "POST /holds", "POST /at_risk", "POST /routes/approve", "POST /tokens", "GET /people", "GET /lots"]


@pytest.mark.parametrize("duty", ["operate", "lead"])
def test_a_token_without_the_right_to_state_facts_is_told_so_whatever_its_duties(house: House, duty: str) -> None:
    with client(house) as machine:
        refused = call(machine, token(house, duty), "POST", "/batches", part="GLUE", fact=True)
    assert (refused.status_code, refused.json()["kind"]) == (403, "duty")
    assert "may_state_facts" in refused.json()["now"]


def test_a_signature_that_no_machine_brought_is_missing_and_not_misunderstood(house: House) -> None:
    with client(house) as machine:
        refused = call(machine, token(house, "quality"), "POST", "/holds/H26-000001-O/release", disposition="concession", words="tested")
    assert (refused.status_code, refused.json()["kind"]) == (403, "password")


@pytest.mark.only_on("sqlite")
@pytest.mark.parametrize("route", CALLS)
def test_the_document_names_the_duties_that_open_a_call(house: House, route: str) -> None:
    method, path = route.split()
    with client(house) as machine:
        words = machine.get("/api/v1/openapi.json").json()["paths"][f"/api/v1{path}"][method.lower()]["description"]
        named = set(DUTIES) if "Any duty" in words else set(re.findall("|".join(DUTIES), words))
        shut = {duty for duty in DUTIES if call(machine, token(house, duty), method, path).status_code == 403}
    assert named == set(DUTIES) - shut
