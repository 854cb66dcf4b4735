"""DuckDB as everyone here opens it: bounded memory, nothing fetched from elsewhere, and no progress bar on a server's terminal."""

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def columnar(memory_limit: str = "256MB", folder: str | None = None) -> "DuckDBPyConnection":
    """A connection without a database. `folder`: where it may put what does not fit into memory."""
    import duckdb  # a server starts without it

    config: dict[str, Any] = {
        "memory_limit": memory_limit, "threads": min(4, os.cpu_count() or 1),
        "autoinstall_known_extensions": False, "autoload_known_extensions": False,
    }  # fmt: skip
    if folder is not None:
        config["temp_directory"] = folder
    connection = duckdb.connect(config=config)
    connection.execute("SET enable_progress_bar = false")
    return connection
