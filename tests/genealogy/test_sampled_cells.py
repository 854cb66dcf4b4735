"""Cells that were sampled before a run are none of its suspects, in the rows of their panel and its lot as well."""

from app.db import House
from tests.machines.plant import plant


def test_cells_that_were_taken_before_a_run_are_not_counted_with_it(house: House) -> None:
    with plant(house) as do:
        do.mount("Attach", do.batch("GLUE"))
        do.mount("Attach", do.wafer("RD-1"))
        panel = do.panels(1)[0]
        lot = do.lot([panel])
        sizes = do.get(f"/panels/{panel}")
        cells = sizes["rows"] * sizes["columns"]

        def sample(column: int) -> str:
            return str(do.post("/samples", thing=panel, cells=[{"row": 1, "column": column}], purpose="pull test", kept=True)["sample"])

        before = sample(1)
        run = do.run("Attach", lot)
        after = sample(2)
        told = do.get(f"/exposure?suspect={run}")
        rows = {row["code"]: (row["units"], row["least"], row["greatest"]) for row in (*told["panels"], *told["lots"])}
        assert rows == {panel: (cells, cells - 1, cells - 1), lot: (cells, cells - 1, cells - 1), after: (1, 1, 1)}
        assert before not in rows
        assert (told["total"]["least"], told["total"]["greatest"]) == (cells - 1, cells - 1)
