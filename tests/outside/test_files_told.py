"""The examples in docs/files.md are read as they stand there, and its calls are those of the API."""

import io
import re
from pathlib import Path

import pytest

from app.catalogue.definitions import BinTableBody
from app.errors import BadInput
from app.final_test.result_columns import find_layout
from app.floor.placement_logs import LOST, read_placement_log
from app.ovens.logger_files import read_trace
from app.people.doors import DOORS
from app.receiving.die_map import Stated
from app.receiving.die_maps import read_maps

TOLD = (Path(__file__).parents[2] / "docs" / "files.md").read_text()
EXAMPLES = {name: text.encode() for name, text in re.findall(r"```([a-z ]+)\n(.*?)```", TOLD, re.DOTALL)}


def test_every_example_is_read_here() -> None:
    assert EXAMPLES.keys() == {"die list", "text grid", "placement log", "oven log", "unit results"}


def test_a_list_of_dies_asks_only_which_bins_pass() -> None:
    with pytest.raises(BadInput) as refused:
        read_maps(EXAMPLES["die list"], "die list")
    assert "pass" in refused.value.reasons[0].why
    (found,) = read_maps(EXAMPLES["die list"], "die list", Stated(passing=("1",)))
    assert (found.wafer, found.gross, found.passing, found.values_at(1, 0)) == ("TW-0412-07", 4, 3, {"wavelengthnm": pytest.approx(521.9)})


def test_a_text_grid_tells_everything_itself() -> None:
    (found,) = read_maps(EXAMPLES["text grid"], "text grid")
    assert (found.wafer, found.positions, found.gross, found.passing) == ("TW-0412-08", 15, 11, 10)


def test_a_placement_log_has_a_die_that_was_lost() -> None:
    log = read_placement_log(io.BytesIO(EXAMPLES["placement log"]), "log")
    assert (log.bad, log.panel.tolist(), log.column.tolist()) == ((), [0, 0, LOST], [1, 2, 0])


def test_an_oven_log_is_in_degrees_and_utc() -> None:
    trace = read_trace(EXAMPLES["oven log"], "log")
    assert trace.sensors == ("Left", "Right")
    assert trace.temps_c.tolist() == [[25.1, 25.3], [41.0, 40.2], [58.8, 57.9]]


def test_unit_results_have_what_a_bin_table_asks(tmp_path: Path) -> None:
    path = tmp_path / "results.csv"
    path.write_bytes(EXAMPLES["unit results"])
    asked = {"ranks": [{"column": "iv_mcd", "low": 300, "high": 500}], "polygons": [{"x": "u", "y": "v", "points": [[0, 0], [1, 0], [1, 1]]}]}
    bins = [{"name": "A1", "grade": "prime", **asked}]
    table = BinTableBody.model_validate({"name": "T", "unbinned": "X", "failed": "X", "bins": [*bins, {"name": "X", "grade": "reject"}]})
    layout = find_layout(path, table)
    assert [column.name for column in layout.columns] == ["unit", "result", "iv_mcd", "u", "v"]


def test_its_calls_are_there() -> None:
    told = set(re.findall(r"`(POST /api/v1/[^`]+)`", TOLD))
    assert len(told) >= 5
    assert told <= DOORS.keys()
