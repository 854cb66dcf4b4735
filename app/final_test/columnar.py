"""DuckDB as everyone here opens it: bounded memory, no file but those that are named, nothing fetched from elsewhere, and no progress bar."""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.final_test.bins import text_sql

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def columnar(*files: Path, memory_limit: str = "256MB", folder: str | None = None) -> "DuckDBPyConnection":
    """A connection without a database, which opens `files` alone. `folder`: where it may write, and put what does not fit into memory."""
    import duckdb  # a server starts without it

    config: dict[str, Any] = {
        "memory_limit": memory_limit, "threads": min(4, os.cpu_count() or 1),
        "autoinstall_known_extensions": False, "autoload_known_extensions": False,
    }  # fmt: skip
    if folder is not None:
        config["temp_directory"] = folder
    connection = duckdb.connect(config=config)
    connection.execute("SET enable_progress_bar = false")
    # names of columns come from files and catalogues: should one ever be taken for a part of a statement, it reads no other file by it
    connection.execute(f"SET allowed_paths = {_list_sql(str(file) for file in files)}")
    connection.execute(f"SET allowed_directories = {_list_sql([folder] if folder else [])}")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    return connection


def _list_sql(texts: Iterable[str]) -> str:
    return f"[{', '.join(map(text_sql, texts))}]"
