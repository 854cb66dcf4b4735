"""The statements that a function sends, once more on the driver's own connection: their rows are fetched, and nothing is made of them."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import event

from benchmarks.site import Site


class Replay:
    def __init__(self, site: Site) -> None:
        self.site = site
        self.sent: list[tuple[str, Any]] = []

    @contextmanager
    def recording(self) -> Iterator[None]:
        engine = self.site.house.walk_engine
        event.listen(engine, "before_cursor_execute", self._keep)
        try:
            yield
        finally:
            event.remove(engine, "before_cursor_execute", self._keep)

    def rows(self) -> int:
        return sum(len(self.site.bare.raw.execute(statement, values).fetchall()) for statement, values in self.sent)

    def _keep(self, _connection: Any, _cursor: Any, statement: str, values: Any, _context: Any, is_many: bool) -> None:
        if not is_many and statement.lstrip().lower().startswith(("select", "with")):
            self.sent.append((statement, values))
