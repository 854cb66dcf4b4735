"""The short versions of the programs in benchmarks/ that break things: a few kills, a lost machine, backups, troubles, upgrades."""

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import text

from app.db import House
from app.errors import Refused
from app.migrate import upgrade
from app.shell.opening import open_house
from benchmarks.backups import back_up_under_load
from benchmarks.floor_load import make_floor
from benchmarks.installations import installation
from benchmarks.kills import TARGETS, kills
from benchmarks.races import races
from benchmarks.standby import lose_a_machine
from benchmarks.troubles import Bench, Tried, client_stops, database_away, disk_full, full_file_system, out_of_memory, read_only, try_one, two_servers
from benchmarks.upgrades import small_work, take_up_from_each


@pytest.fixture(autouse=True)
def _binaries(request: pytest.FixtureRequest) -> None:
    """These tests start clusters of their own, to kill them; where PostgreSQL is missing, they are skipped or fail as the others are."""
    if request.node.get_closest_marker("postgresql"):
        request.getfixturevalue("cluster_folder")


@pytest.fixture(scope="module")
def bench(database: str) -> Iterator[Bench]:
    with installation(database) as one:
        floor = make_floor(one.house, 4)
        one.server.start()
        one.server.wait()
        yield Bench(one, floor)


@pytest.mark.parametrize("trouble", [disk_full, out_of_memory, client_stops])
def test_a_trouble_is_told_with_its_remedy_and_loses_nothing(bench: Bench, trouble: Callable[[Bench], Tried]) -> None:
    assert try_one(bench, trouble).faults == []


def test_a_full_file_system_loses_nothing_that_was_acknowledged(database: str) -> None:
    """Where nothing may be mounted, the limit of the test above stands for it."""
    assert full_file_system(database).faults == []


def test_two_servers_share_one_database(bench: Bench) -> None:
    assert try_one(bench, lambda bench: two_servers(bench, seconds=1)).faults == []


@pytest.mark.only_on("postgresql")  # on SQLite the same needs a mount, or seconds of waiting for a lock: see the program
@pytest.mark.parametrize("trouble", [read_only, database_away])
def test_a_database_that_is_away_is_waited_for(bench: Bench, trouble: Callable[[Bench], Tried]) -> None:
    assert try_one(bench, trouble).faults == []


def test_kills_lose_nothing_that_was_acknowledged(database: str) -> None:
    found = kills(database, 3, terminals=6)
    assert found.faults == []
    assert set(found.kills) == set(TARGETS[database])
    assert found.acknowledged > 0 and found.in_flight > 0


@pytest.mark.only_on("postgresql")
def test_a_lost_machine_takes_no_acknowledged_act_with_it(database: str) -> None:
    found = lose_a_machine(terminals=4, seconds=1.5)
    assert found.faults == []
    assert found.reads_on_standby and found.reads > 0
    assert 0 < found.before < found.acknowledged


def test_a_backup_under_load_restores_into_both(database: str, request: pytest.FixtureRequest) -> None:
    request.getfixturevalue("cluster_folder")
    found = back_up_under_load(database, ("sqlite", "postgresql"), terminals=4, backups=1, damages=15)
    assert found.faults == []
    assert len(found.restored) == 2 and found.damaged > 10


def test_from_every_earlier_schema_nothing_is_lost(empty_house: House) -> None:
    upgrade(empty_house)
    small_work(empty_house)
    found = take_up_from_each(empty_house)
    assert found.faults == []
    assert len(found.taken) > 5 and min(found.taken.values()) > 100


@pytest.mark.parametrize(("revision", "words"), [("of_tomorrow", "newer than this program"), ("the_record", "older schema")])
def test_no_command_works_on_another_schema(house: House, revision: str, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with house.owner_engine.begin() as connection:
        connection.execute(text("update alembic_version set version_num = :it"), {"it": revision})
    monkeypatch.setenv("REELROOT_DATABASE_URL", house.settings.url)
    with pytest.raises(Refused, match=words), open_house(house.data_dir):
        pytest.fail("it was opened")


def test_what_is_said_of_another_schema_can_be_done(empty_house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """It said to make a backup first, and `backup` was refused with the same words."""
    monkeypatch.setenv("REELROOT_DATABASE_URL", empty_house.settings.url)
    if empty_house.kind == "sqlite":
        (empty_house.data_dir / "reelroot.db").touch()  # of one that is not there other words are said
    with pytest.raises(Refused, match="no table yet") as caught, open_house(empty_house.data_dir):
        pytest.fail("it was opened")
    assert caught.value.reasons[0].now == "Run `reelroot upgrade`, which makes them."
    upgrade(empty_house)
    with empty_house.owner_engine.begin() as connection:
        connection.execute(text("update alembic_version set version_num = 'the_record'"))
    with pytest.raises(Refused, match="older schema") as caught, open_house(empty_house.data_dir):
        pytest.fail("it was opened")
    assert "Let the version that made it write a backup" in caught.value.reasons[0].now


@pytest.mark.only_on("postgresql")  # SQLite has one writer
def test_calls_at_the_same_moment_leave_one_winner_and_a_whole_record(database: str) -> None:
    of_files, of_the_office = ["placing", "logging", "corrected"], ["certified", "newcomers", "machines", "revisions"]
    scenes = ["attaching", "sawing", "packed", "shipped", "held", *of_files, *of_the_office]
    found = races(database, bursts=len(scenes), only=scenes)
    assert found.faults == []
    assert (found.bursts, found.answers["200"] > len(scenes)) == (len(scenes), True)
