"""Writes archive-version-1.sqlite as version 1 of the tables wrote it: python make_version_1.py TARGET < prepared.json

Only the standard library and the document's own text are used, and the tables stand here as they were; the file is
kept and never made again. The records are invented.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

TABLES = """
CREATE TABLE migration (version INTEGER NOT NULL, made TEXT NOT NULL, PRIMARY KEY (version));
CREATE TABLE entry (seq INTEGER NOT NULL, body TEXT NOT NULL, previous TEXT NOT NULL, hash TEXT NOT NULL, PRIMARY KEY (seq));
CREATE TABLE revision (seq INTEGER NOT NULL, record TEXT NOT NULL, revision INTEGER NOT NULL, digest TEXT NOT NULL,
 added TEXT NOT NULL, claim TEXT, site TEXT, vin TEXT, unit TEXT, model_year INTEGER, system_voltage TEXT, circuit TEXT,
 circuit_class TEXT, created TEXT, in_service TEXT, odometer_km DOUBLE, engine_hours DOUBLE, part TEXT,
 part_serial TEXT, lot TEXT, demonstration INTEGER, status TEXT, replaces TEXT, added_by TEXT, engine TEXT, document TEXT NOT NULL,
 PRIMARY KEY (seq), UNIQUE (record, revision));
CREATE INDEX revision_vin ON revision (vin);
CREATE INDEX revision_claim ON revision (claim);
CREATE TABLE result (seq INTEGER NOT NULL, place INTEGER NOT NULL, test TEXT, name TEXT, procedure TEXT,
 procedure_version INTEGER, phase TEXT, at TEXT, taken_by TEXT, value DOUBLE, unit TEXT, standard_uncertainty DOUBLE,
 degrees_of_freedom DOUBLE, coverage_factor DOUBLE, expanded_uncertainty DOUBLE, lower DOUBLE, upper DOUBLE,
 limit_source TEXT, limit_by TEXT, rule TEXT, probability DOUBLE, verdict TEXT, reason TEXT, method TEXT,
 instruments TEXT, PRIMARY KEY (seq, place)) WITHOUT ROWID;
CREATE TABLE content (sha256 TEXT NOT NULL, size INTEGER NOT NULL, bytes BLOB NOT NULL, PRIMARY KEY (sha256));
CREATE TABLE attached (seq INTEGER NOT NULL, record TEXT NOT NULL, revision INTEGER NOT NULL, kind TEXT NOT NULL,
 name TEXT NOT NULL, sha256 TEXT NOT NULL, added TEXT NOT NULL, PRIMARY KEY (seq), UNIQUE (record, revision, kind, sha256));
"""
ADDED = "2026-05-04T10:00:00Z"


def text_of(plain: Any) -> str:
    return json.dumps(plain, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def digest_of(rows: list[list[Any]]) -> str:
    lines = (json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in rows)
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def main(prepared: list[dict[str, Any]], target: Path) -> None:
    """``prepared``: for each revision its document (canonical text), facts and result rows."""
    store = sqlite3.connect(target)
    store.executescript(TABLES)
    for table in ("migration", "entry", "revision", "result", "content", "attached"):
        for verb in ("UPDATE", "DELETE"):
            store.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, '{table} only grows'); END"
            )
    previous = "0" * 64
    for seq, one in enumerate(prepared, 1):
        sha256 = hashlib.sha256(one["document"].encode()).hexdigest()
        body = text_of({
            "kind": "revision", "record": one["record"], "revision": one["revision"], "digest": sha256,
            "results": digest_of(one["results"]), "facts": digest_of([one["facts"]]), "added": ADDED, "by": "office",
        })  # fmt: skip
        own = hashlib.sha256(f"{seq}\n{previous}\n{body}".encode()).hexdigest()
        store.execute("INSERT INTO entry VALUES (?, ?, ?, ?)", (seq, body, previous, own))
        row = (seq, one["record"], one["revision"], sha256, ADDED, *one["facts"], one["document"])
        store.execute(f"INSERT INTO revision VALUES ({', '.join('?' * len(row))})", row)
        for place, result in enumerate(one["results"]):
            store.execute(f"INSERT INTO result VALUES (?, ?, {', '.join('?' * len(result))})", (seq, place, *result))
        previous = own
    store.execute("INSERT INTO migration VALUES (1, ?)", (ADDED,))
    store.commit()
    store.execute("VACUUM")
    store.close()


if __name__ == "__main__":
    main(json.loads(sys.stdin.read()), Path(sys.argv[1]))
