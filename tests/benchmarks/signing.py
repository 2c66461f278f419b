"""What signing, stamping and verifying cost: python tests/benchmarks/signing.py [--batch N]

CPU milliseconds, median of 20 runs; the batch in reports a second by the clock, and in CPU time a report. Nothing here asserts a time. Invented.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "signing"))

from cryptography.hazmat.primitives.asymmetric import rsa
from stamping import time_service

from diagnb.evaluation import evaluate
from diagnb.proof import verify_report
from diagnb.record import load_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import (
    OnePassSigner,
    SigningKey,
    TrustList,
    certify,
    certify_person,
    countersign,
    create_authority,
    create_person,
    generate_passphrase,
    save_key,
    timestamp,
    trust_entry,
    verify_signatures,
)

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
DEMO = templates_directory() / "demo-record.json"


def median(work: Callable[[], Any], repeats: int = 20) -> float:
    """The middle of some runs in CPU milliseconds."""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        spent.append(1000 * (time.process_time() - start))
    return statistics.median(spent)


def show(what: str, milliseconds: float, ratio: float | None = None) -> None:
    """One line of the table."""
    print(f"{what:48} {milliseconds:8.2f} ms" + (f"  {ratio:6.2f} of the long way" if ratio else ""))


def steps(folder: Path) -> None:
    """Each step by itself."""
    record = load_record(DEMO)
    evaluation = evaluate(record)
    authority = create_authority(name="Example shop (invented)", moment=MOMENT)
    key, other = (
        create_person(authority, name=n, role="technician", moment=MOMENT) for n in ("R. Example", "M. Sample")
    )
    private = rsa.generate_private_key(65537, 2048)
    certificate = certify_person(authority, private.public_key(), name="R. Example", role="technician", moment=MOMENT)
    slow = SigningKey(certificate, (authority.certificate,), private_key=private)
    options = {"field": "Technician", "reason": "I took these readings", "moment": MOMENT}
    pdf = render_report(record, evaluation, moment=MOMENT)
    show("evaluate", median(lambda: evaluate(record)))
    show("render", median(lambda: render_report(record, evaluation, moment=MOMENT)))
    long = median(lambda: certify(pdf, key=key, **options))  # type: ignore[arg-type]
    show("certify, P-256", long)
    show("certify, RSA-2048 loaded once", value := median(lambda: certify(pdf, key=slow, **options)), value / long)  # type: ignore[arg-type]
    for name, each in (("P-256", key), ("RSA-2048", slow)):
        quick = OnePassSigner(each)
        show(f"one pass, {name}", value := median(lambda q=quick: q.certify(pdf, **options), 100), value / long)  # type: ignore[misc,arg-type]
    signed = certify(pdf, key=key, **options)  # type: ignore[arg-type]
    one = OnePassSigner(key).certify(pdf, **options)  # type: ignore[arg-type]
    second = {"key": other, "field": "Reviewer", "reason": "I reviewed", "moment": MOMENT}
    both = countersign(signed, **second)  # type: ignore[arg-type]
    show("countersign", median(lambda: countersign(signed, **second)))  # type: ignore[arg-type]
    trust = TrustList((trust_entry(authority.certificate, added=MOMENT, added_by="benchmark"),))
    with time_service(folder, made=MOMENT - timedelta(days=1)) as service:
        service.at(MOMENT)
        trust = trust.with_entry(service.entry(MOMENT)).with_new_revocation_list(authority, moment=MOMENT)
        url = service.url()
        show(
            "certify with time stamp (loopback, both sides)",
            median(lambda: certify(pdf, key=key, timestamp_url=url, **options)),
        )  # type: ignore[arg-type]
        keep = {"url": url, "trust": trust, "moment": MOMENT}
        show("stamp the whole file (loopback, both sides)", median(lambda: timestamp(both, **keep)))  # type: ignore[arg-type]
        lasting = timestamp(both, **keep)  # type: ignore[arg-type]
    for name, each in (("certified", signed), ("one pass", one), ("countersigned", both), ("lasting", lasting)):
        show(f"verify signatures, {name}", median(lambda p=each: verify_signatures(p, trust=trust, moment=MOMENT)))  # type: ignore[misc]
    for name, each in (("certified", signed), ("one pass", one), ("lasting", lasting)):
        show(f"verify all five answers, {name}", median(lambda p=each: verify_report(p, trust=trust, moment=MOMENT)))  # type: ignore[misc]


def batch(folder: Path, count: int) -> None:
    """The command as a shop runs it, start of its processes included."""
    records, target = folder / "records", folder / "reports"
    records.mkdir()
    text = DEMO.read_text(encoding="utf-8")
    identity = json.loads(text)["id"]
    for number in range(count):
        (records / f"{number:05}.json").write_text(text.replace(identity, f"B-{number:05}"), encoding="utf-8")
    moment = datetime.now(UTC)
    authority = create_authority(name="Example shop (invented)", moment=moment)
    secret = generate_passphrase()
    save_key(
        create_person(authority, name="R. Example", role="technician", moment=moment),
        folder / "keys" / "r.p12",
        secret.encode(),
    )
    command = [sys.executable, "-m", "diagnb", "report", "--batch", str(records), "-o", str(target)]
    command += ["--key", str(folder / "keys" / "r.p12"), "--passphrase-fd", "0"]
    for processes in (1, 2):
        start, before = time.perf_counter(), os.times()
        done = subprocess.run(
            [*command, "--processes", str(processes)], input=secret + "\n", text=True, capture_output=True, check=True
        )
        spent, after = time.perf_counter() - start, os.times()
        used = after.children_user + after.children_system - before.children_user - before.children_system
        print(f"batch of {count}, {processes} processes: {count / spent:.1f} a second in all; {done.stdout.strip()}")
        print(f"  {1000 * used / count:.1f} ms of processor time a report, start of the processes included")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batch", type=int, default=200, metavar="N", help="records in the batch (default 200)")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        steps(Path(name))
    with tempfile.TemporaryDirectory() as name:
        batch(Path(name), chosen.batch)


if __name__ == "__main__":
    main()
