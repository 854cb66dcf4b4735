"""A mix is no younger than what went into it."""

from datetime import UTC, datetime, timedelta

import pytest

from app.db import House
from app.errors import Refused
from app.ledger.items import Opening
from app.receiving.batches import mix_batches, open_batch
from tests.small_factory import Factory

OPENED = datetime(2026, 3, 2, 6, tzinfo=UTC)


def test_a_mix_has_no_longer_pot_life_than_what_went_into_it(house: House) -> None:
    factory = Factory(house).load()
    old, fresh = factory.batch("GLUE"), factory.batch("GLUE")
    factory.do("open_batch", lambda s, by: open_batch(s, by, old).batch, happened_at=OPENED)
    later = OPENED + timedelta(hours=5)
    mixed = factory.do("mix_batches", lambda s, by: mix_batches(s, by, "GLUE", [old, fresh]), happened_at=later)
    with house.reading() as session:
        assert session.get_one(Opening, mixed.id).pot_life_ends_at == OPENED + timedelta(minutes=480)
    with pytest.raises(Refused) as lapsed:
        factory.do("mix_batches", lambda s, by: mix_batches(s, by, "GLUE", [old, fresh]), happened_at=OPENED + timedelta(hours=9))
    assert lapsed.value.kind == "material_lapsed"
