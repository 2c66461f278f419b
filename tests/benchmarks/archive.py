"""Speed of the archive and of an impact, printed as tables: python tests/benchmarks/archive.py [--results N]

Nothing here asserts a time. Visits are invented; the documents of the large archive are all of one visit, since only their
rows, circuits and measuring points are read.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import json
import multiprocessing
import resource
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from diagnb.archive import Prepared, open_archive, prepare
from diagnb.archive.copy import query, update_copy
from diagnb.conformity import WORDS
from diagnb.impact import InstrumentError, LimitChange, RuleChange, find_impact
from diagnb.impact.columns import Layout, judge_columns
from diagnb.meters import read_sheet
from diagnb.procedures import read_procedure
from diagnb.record import Record, load_record

MOMENT = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
TESTS = 20


def pair_record(tests: int) -> Record:
    """A visit with ``tests`` measurements of a pair of batteries."""
    readings = [
        {"name": "first_voltage", "texts": ["12.71 V"], "instrument": "M1"},
        {"name": "second_voltage", "texts": ["12.58 V"], "instrument": "M1"},
    ]
    return load_record(
        {
            "schema": "diagnb-record/1", "id": "BASE", "created": "2026-03-04T10:00:00+01:00",
            "order": {"number": "RO-1", "opened": "2026-03-04T08:00:00+01:00"},
            "vehicle": {"vin": "1D9TRKB40SA000301", "unit": "Unit 301", "system_voltage": "24"},
            "circuit": {"name": "starting batteries", "class": "ordinary"},
            "people": [{"id": "tech", "name": "R. Example", "role": "technician"}],
            "instruments": [{"id": "M1", "meter": "handheld-6000", "serial": "H6-000", "calibrated": "2025-11-10", "due": "2026-11-09"}],
            "conditions": {"ambient_degc": "21"},
            "tests": [
                {"id": str(n), "procedure": "battery-pair-balance", "phase": "as found", "time": "2026-03-04T08:12:00+01:00", "by": "tech", "readings": readings}
                for n in range(tests)
            ],
        }
    )  # fmt: skip


def variant(base: Prepared, name: str) -> Prepared:
    """The same visit under another id."""
    document = base.document.replace(b'"id":"%s"' % base.record.encode(), b'"id":"%s"' % name.encode(), 1)
    made = replace(base, record=name, document=document, digest=hashlib.sha256(document).hexdigest())
    # As prepare() leaves it: digests of its rows worked out before it comes to whoever writes.
    _ = (made.results_digest, made.tests_digest)
    return made


def fleet(results: int) -> Iterator[Prepared]:
    """Visits of a large fleet: other voltages in every test, 200 meters, verdicts as the evaluation gives them."""
    base = prepare(pair_record(TESTS))
    chance = np.random.default_rng(1)
    visits = results // (2 * TESTS)
    volts = chance.normal(12.6, 0.12, (visits * TESTS, 2)).round(2)
    (text,) = base.layouts.values()
    document = json.loads(text)
    meters = {d: read_sheet(json.loads(t)) for d, (kind, t) in base.sheets.items() if kind == "meter"}
    layout = Layout(document, read_procedure(json.loads(base.sheets[document["procedure"]][1])), meters)
    matrix = np.column_stack([np.full(len(volts), 21.0), volts])
    judged = judge_columns(layout, matrix, np.zeros((len(volts), 1), bool), RuleChange("guarded-95"))
    outcome = np.dstack([judged.value, judged.expanded]).reshape(len(volts), 4)
    packed = np.hstack([matrix, outcome])
    verdicts = judged.verdict + 48
    for number in range(visits):
        serial = f'["H6-{chance.integers(200):03d}"]'
        rows, found = [], []
        for i, row in enumerate(base.tests):
            at = number * TESTS + i
            rows.append((*row[:3], serial, packed[at].tobytes(), verdicts[at].tobytes().decode()))
            found += [
                (*r[:7], float(judged.value[at, k]), *r[8:19], WORDS[judged.verdict[at, k]], *r[20:])
                for k, r in enumerate(base.results[2 * i : 2 * i + 2])
            ]
        plain = base.document.replace(b'"id":"BASE"', b'"id":"V-%d"' % number, 1)
        own = hashlib.sha256(plain).hexdigest()
        yield replace(base, record=f"V-{number}", document=plain, digest=own, tests=tuple(rows), results=tuple(found))


def saves(url: str, name: str, singles: int = 400, many: int = 3000, tests: int = 15) -> None:
    """Durable saves one by one, then in batches; for a file, the same rows by the bare driver in the same run."""
    base = prepare(pair_record(tests))
    alone = [variant(base, f"S-{n}") for n in range(singles)]
    whole = [variant(base, f"B-{n}") for n in range(many)]
    with open_archive(url, moment=MOMENT, create=True) as archive:
        archive.add(variant(base, "first"), moment=MOMENT)
        one = spent(lambda: [archive.add(v, moment=MOMENT) for v in alone])
        batch = spent(lambda: [archive.add_many(whole[k : k + 500], moment=MOMENT) for k in range(0, many, 500)])
        read = spent(lambda: [archive.document(f"S-{n}") for n in range(singles)])
    bare = bare_driver(Path(url), singles, many) if "://" not in url else None
    print(
        f"{name}: documents of {len(base.document):,} bytes with {len(base.results)} results and {len(base.tests)} tests\n\n"
        "| | saves/s one by one | a second of CPU | in batches of 500 | a second of CPU | reads/s |\n|---|---|---|---|---|---|"
    )
    print(
        f"| archive | {singles / one[0]:,.0f} | {singles / one[1]:,.0f} | {many / batch[0]:,.0f} | {many / batch[1]:,.0f} | {singles / read[0]:,.0f} |"
    )
    if bare:
        first, second = bare
        print(
            f"| the same rows, bare driver | {singles / first[0]:,.0f} | {singles / first[1]:,.0f} | {many / second[0]:,.0f} | {many / second[1]:,.0f} | |"
        )
        print(f"| archive over bare driver, CPU | | {one[1] / first[1]:.2f} x | | {batch[1] / second[1]:.2f} x | |")


def bare_driver(source: Path, singles: int, many: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Wall and CPU seconds of the rows of ``source`` put into a file like it by sqlite3 alone: the floor of this layout."""
    target = source.with_suffix(".bare")
    open_archive(target, moment=MOMENT, create=True).close()
    reader, writer = sqlite3.connect(source), sqlite3.connect(target, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-65536", "wal_autocheckpoint=4000"):
        writer.execute(f"PRAGMA {pragma}")
    visits = [
        [
            (table, reader.execute(f"SELECT * FROM {table} WHERE seq = ?", (seq,)).fetchall())
            for table in ("entry", "revision", "result", "test")
        ]
        for (seq,) in reader.execute("SELECT seq FROM revision WHERE seq > 1 ORDER BY seq")
    ]
    texts = {t: f"INSERT INTO {t} VALUES ({', '.join('?' * len(rows[0]))})" for t, rows in visits[0]}

    def put(some: list[list[tuple[str, list[tuple[object, ...]]]]]) -> None:
        writer.execute("BEGIN IMMEDIATE")
        for table, text in texts.items():
            writer.executemany(text, [row for visit in some for name, rows in visit if name == table for row in rows])
        writer.execute("COMMIT")

    first = spent(lambda: [put([v]) for v in visits[:singles]])
    rest = visits[singles : singles + many]
    second = spent(lambda: [put(rest[k : k + 500]) for k in range(0, many, 500)])
    reader.close()
    writer.close()
    return first, second


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and CPU seconds of one run."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def writer(url: str, name: str, count: int) -> None:
    """One of several writers."""
    base = prepare(pair_record(15))
    with open_archive(url, moment=MOMENT) as archive:
        for n in range(count):
            archive.add(variant(base, f"{name}-{n}"), moment=MOMENT)


def eight_writers(url: str, name: str) -> None:
    """Eight processes at once."""
    processes = [multiprocessing.Process(target=writer, args=(url, f"W{n}", 150)) for n in range(8)]
    start = time.perf_counter()
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    print(
        f"{name}: 8 writers, {8 * 150 / (time.perf_counter() - start):,.0f} visits/s, start of the processes included"
    )


def impacts(folder: Path, results: int) -> None:
    """Impact over a large archive."""
    with open_archive(folder / "fleet.sqlite", moment=MOMENT, create=True) as archive:
        batch: list[Prepared] = []
        start = time.perf_counter()
        for one in fleet(results):
            batch.append(one)
            if len(batch) == 500:
                archive.add_many(batch, moment=MOMENT)
                batch = []
        archive.add_many(batch, moment=MOMENT)
        print(
            f"\n{results:,} results made and stored in {time.perf_counter() - start:.1f} s, {(folder / 'fleet.sqlite').stat().st_size / 1e6:,.0f} MB"
        )
        print(
            "\n| change | results judged again | verdicts that change | s | s of CPU | peak MB |\n|---|---|---|---|---|---|"
        )
        limit = LimitChange("battery-pair-balance", "voltage_difference", "-0.3", "0.3", "V", "a bulletin (invented)")
        for label, change in (("limit", limit), ("rule: guarded-U", RuleChange("guarded-U")), ("rule: simple", RuleChange("simple")), ("one meter of 200, 2 % high", InstrumentError("H6-007", gain_percent=2))):  # fmt: skip
            start, cpu = time.perf_counter(), time.process_time()
            found = find_impact(archive, change)
            took, cpu = time.perf_counter() - start, time.process_time() - cpu
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
            print(f"| {label} | {found.results:,} | {len(found.changed):,} | {took:.2f} | {cpu:.2f} | {peak:,.0f} |")


def grouped(folder: Path) -> None:
    """The Parquet copy: made from the archive, then grouped as it is and ten times over."""
    with open_archive(folder / "fleet.sqlite", moment=MOMENT) as archive:
        start = time.perf_counter()
        total = update_copy(archive, folder / "copy")
        made = time.perf_counter() - start
    (file,) = (folder / "copy").glob("*.parquet")
    print(
        f"\nParquet copy of {total:,} results: {made:.1f} s, {file.stat().st_size / 1e6:.1f} MB\n\n| rows | group by part, lot, month, verdict: s |\n|---|---|"
    )
    statement = """SELECT component, lot, substr("at", 1, 7) AS month, verdict, count(*), count(DISTINCT asset) FROM results GROUP BY ALL"""
    for times in (1, 10):
        for number in range(1, times):
            shutil.copyfile(file, file.with_name(f"results-{number:012d}-{number:012d}.parquet"))
        best = min(timed(lambda: grouped_once(folder / "copy", statement)) for _ in range(3))
        print(f"| {total * times:,} | {best:.2f} |")


def grouped_once(copy: Path, statement: str) -> object:
    """The statement over a copy, or over many times its files, which the archive's own query takes for a changed copy."""
    if len(list(copy.glob("*.parquet"))) == 1:
        return query(copy, statement)
    import duckdb

    with duckdb.connect() as connection:
        connection.execute(f"CREATE VIEW results AS SELECT * FROM read_parquet('{copy.as_posix()}/*.parquet')")
        return connection.execute(statement).fetchall()


def timed(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--results", type=int, default=1_000_000, help="0: saves only")
    parser.add_argument("--postgresql", default="", help="address of an empty database, to measure it too")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        saves(str(folder / "a.sqlite"), "SQLite")
        if options.postgresql:
            saves(options.postgresql, "PostgreSQL")
            eight_writers(options.postgresql, "PostgreSQL")
        print()
        saves(str(folder / "small.sqlite"), "SQLite", tests=1)
        eight_writers(str(folder / "a.sqlite"), "SQLite")
        if options.results:
            impacts(folder, options.results)
            grouped(folder)


if __name__ == "__main__":
    sys.exit(main())
