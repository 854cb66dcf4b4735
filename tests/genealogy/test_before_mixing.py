"""Before mixing: only what holds units mixes, and no more lots than one looks at together."""

import pytest

from app.db import House
from app.errors import Refused
from app.genealogy.before_mixing import MOST, Coming, before_fill, before_mixing
from app.naming.resolve import Named
from tests.genealogy.made import made
from tests.small_factory import Factory


def test_a_lot_that_holds_nothing_does_not_mix(house: House) -> None:
    one = made(Factory(house).load())  # whose test took all units out of the lot that was tested
    with house.reading() as session:
        with pytest.raises(Refused, match="nothing to mix") as refused:
            before_mixing(session, [one.best, one.loose])
        assert one.loose.code in refused.value.reasons[0].why and one.best.code not in refused.value.reasons[0].why
        assert before_fill(session, [Coming(one.best), Coming(one.loose)]) == (), "only units of one lot come together"
        assert before_fill(session, [Coming(one.best), Coming(one.loose, 0)]) == ()
        assert before_fill(session, [Coming(one.loose)]) == ()
        assert before_fill(session, [Coming(one.best), Coming(one.loose, 2)]), "who says that units come knows more than the book"


def test_more_lots_than_one_looks_at_are_refused_before_any_is_walked(house: House) -> None:
    with house.reading() as session, pytest.raises(Refused, match="Too many lots"):
        before_mixing(session, [Named("lot", n, str(n)) for n in range(MOST + 1)])
