"""What a machine's token may is told by what it lacks: a right of its own, a signature, or a duty, which the document names for each call."""

import pytest
from people.signing_in import call, client, token

from app.db import House


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
