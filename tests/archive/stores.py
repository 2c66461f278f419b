"""What the tests of the archive share: a moment, the example records, databases of a server."""

from __future__ import annotations

import datetime as dt
import itertools
from pathlib import Path
from typing import Any

NOW = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
EXAMPLES = sorted((Path(__file__).parents[1] / "data" / "records").glob("*.json"))
_number = itertools.count(1)


def new_database(server: Any) -> str:
    """The address of a fresh, empty database."""
    import psycopg

    name = f"shop{next(_number)}"
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return str(server.get_uri(database=name))
