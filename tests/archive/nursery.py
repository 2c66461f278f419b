"""A program that forks writers on demand, so that one can be killed every few milliseconds.

One JSON line in: {"url", "name", "count", "pause"}; the writer's process number out. The writer adds the revisions
name-0, name-1, … and appends one byte to ``acknowledged`` after each one that was acknowledged.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import resource
import signal
import sys
from dataclasses import replace
from hashlib import sha256

from diagnb.archive import ArchiveFault, Prepared, open_archive, prepare
from diagnb.record import load_record
from diagnb.shipped import templates_directory

NOW = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)


def model() -> Prepared:
    return prepare(load_record(templates_directory() / "demo-record.json"))


def variant(ready: Prepared, name: str) -> Prepared:
    """The same visit under another id."""
    document = ready.document.replace(b'"id":"%s"' % ready.record.encode(), b'"id":"%s"' % name.encode(), 1)
    assert document != ready.document
    return replace(ready, record=name, document=document, digest=sha256(document).hexdigest())


def write(ready: Prepared, order: dict) -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    if order.get("largest_file"):
        resource.setrlimit(resource.RLIMIT_FSIZE, (order["largest_file"], order["largest_file"]))
    acknowledged = os.open(order["acknowledged"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    try:
        with open_archive(order["url"], moment=NOW, create=True) as archive:
            for number in range(order["count"]):
                archive.add(variant(ready, f"{order['name']}-{number}"), moment=NOW, by=order["name"])
                os.write(acknowledged, b".")
    except ArchiveFault as error:
        os.write(acknowledged, b"!" + str(error).encode())


def main() -> None:
    ready = model()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    print("ready", flush=True)
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            write(ready, json.loads(line))
            os._exit(0)
        print(child, flush=True)


if __name__ == "__main__":
    main()
