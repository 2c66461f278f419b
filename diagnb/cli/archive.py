"""``diagnb archive``: keep records, find them again, check that nothing was changed, bring many in, copy out."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.carried import carried_by, doubt_line
from diagnb.cli.files import now, write_new
from diagnb.cli.oneline import one_line
from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities.counting import counted

if TYPE_CHECKING:
    from diagnb.archive import Archive
    from diagnb.archive.doubt import Doubt

_STORE = "the archive: a file, or postgresql://user@host/name"


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    parent = commands.add_parser("archive", help="keep records for good: add, find, audit, import, export")
    actions = parent.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = actions.add_parser(name, help=text)
        parser.add_argument("store", metavar="ARCHIVE", help=_STORE)
        parser.set_defaults(run=run)
        return parser

    add = action("add", run_import, "keep records or signed reports (the archive is made when missing)")
    add.add_argument("files", metavar="FILE", type=Path, nargs="+", help="records (.json) or signed reports (.pdf)")
    bring = action(
        "import", run_import, "keep a whole folder, or a CSV table of old records; faults are listed, the rest kept"
    )
    bring.add_argument(
        "files", metavar="FOLDER|FILE", type=Path, nargs="+", help="folders, records, reports or .csv tables"
    )
    bring.add_argument(
        "--mapping",
        metavar="FILE.toml",
        type=Path,
        help="what the columns of a CSV table are; 'diagnb archive mapping' writes an example with comments",
    )
    add_workers(bring)
    example = actions.add_parser(
        "mapping", help="write an example of a mapping for CSV tables, with a table that it fits"
    )
    example.add_argument("folder", metavar="DIR", type=Path, nargs="?", default=Path(), help="where to (default: here)")
    example.set_defaults(run=run_mapping)
    for parser in (add, bring):
        parser.add_argument("--by", default="", metavar="NAME", help="who adds them")
        parser.add_argument(
            "--trust",
            metavar="FILE",
            type=Path,
            help="trust list: a report whose signer is not trusted by it is refused",
        )
        parser.add_argument("--despite", default="", metavar="TEXT", help="keep such a report all the same, and why; list, history and audit show TEXT for good")  # fmt: skip
        parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    get = action("get", run_get, "a record as it was stored, to the byte")
    get.add_argument("record", metavar="ID")
    get.add_argument("--revision", type=int, metavar="N", help="which revision (default: the latest)")
    get.add_argument("-o", "--output", type=Path, metavar="FILE", help="write it there instead of printing it")
    get.add_argument("--file", metavar="SHA256", help="write an attachment or report of it instead (needs -o)")
    listed = action("list", run_list, "one line a record, the latest revision of each")
    listed.add_argument("--claim", default="", metavar="NUMBER")
    listed.add_argument("--vin", default="")
    listed.add_argument("--unit", default="")
    history = action("history", run_history, "every revision of one record, with its files")
    history.add_argument("record", metavar="ID")
    audit = action("audit", run_audit, "was anything changed, taken out or replaced? exit 1 when so")
    audit.add_argument(
        "--head", metavar="HEAD", help="a head that an earlier audit printed: shows what was cut off since"
    )
    audit.add_argument("--recompute", action="store_true", help="evaluate every record again and compare all results")
    export = action("export", run_export, "records and files out into a folder, or a Parquet copy for analysis")
    export.add_argument("folder", metavar="DIR", type=Path)
    export.add_argument("--into", action="store_true", help="write into a folder that holds something else")
    export.add_argument("--parquet", action="store_true", help="bring a Parquet copy of the results up to date instead")
    grant = action("grant", run_grant, "let a PostgreSQL role read and add, and nothing else")
    grant.add_argument("role", metavar="ROLE")
    for parser in (listed, history, audit):
        parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def add_workers(parser: argparse.ArgumentParser) -> None:
    """The options that say where bulk work is done."""
    parser.add_argument("--processes", type=int, metavar="N", help="work in N processes (default: here, in one)")
    parser.add_argument(
        "--scheduler", default="", metavar="ADDRESS", help="work on a cluster: tcp://host:8786 or tls://…"
    )
    parser.add_argument("--tls", nargs=3, type=Path, metavar=("CA", "CERT", "KEY"), help="TLS files for the scheduler")


@contextmanager
def chosen_workers(options: argparse.Namespace) -> Iterator[Any]:
    """The executor that the options name, or None."""
    from diagnb.archive.workers import Encryption, workers

    if options.processes is not None and options.processes < 1:
        raise fault("--processes", "must be 1 or more")
    if not options.scheduler and not options.processes:
        yield None
        return
    encryption = Encryption(*options.tls) if options.tls else None
    with workers(processes=options.processes, scheduler=options.scheduler, encryption=encryption) as pool:
        yield pool


@contextmanager
def progress(text: str) -> Iterator[Callable[..., None]]:
    """A line on a terminal's standard error that counts: ``done`` alone, or with ``total`` as a bar."""
    if not sys.stderr.isatty():
        yield lambda *_: None
        return

    def show(done: int, total: int = 0) -> None:
        if total:
            bar = "#" * (20 * done // total)
            print(f"\r{text} [{bar:20}] {done:,} of {total:,} ", end="", file=sys.stderr, flush=True)
        elif done % 10 == 0:
            print(f"\r{text} {done:,} ", end="", file=sys.stderr, flush=True)

    yield show
    print(file=sys.stderr)


def run_import(options: argparse.Namespace) -> int:
    """Exit 1 when anything was not kept; every fault is printed."""
    from diagnb.archive import open_archive
    from diagnb.archive.intake import Intake, Item, bring_in, folder_files, read_items
    from diagnb.archive.mapping import read_mapping
    from diagnb.archive.table import read_table
    from diagnb.conformity import REASONS

    despite = one_line(options.despite.strip())
    if options.despite and len(despite) < 3:
        raise fault("--despite", "says too little", "three letters or more: why it is kept all the same")
    mapping: Path | None = getattr(options, "mapping", None)
    tables = [p for p in options.files if p.suffix.lower() == ".csv"]
    if tables and mapping is None:
        raise fault(
            "--mapping",
            "is missing",
            "a CSV table needs to be told what its columns are; diagnb archive mapping writes an example",
        )
    missing = [Fault(str(p), "is not there") for p in options.files if not p.exists()]
    intake = Intake(faults=missing)
    paths = [
        p for f in options.files if f not in tables and f.exists() for p in (folder_files(f) if f.is_dir() else [f])
    ]
    items: list[Item] = []
    for table in (read_table(p, read_mapping(mapping)) for p in tables if mapping and p.exists()):
        items += table.items
        intake.faults += table.faults

    def everything() -> Iterator[Item]:
        yield from read_items(paths, lambda path: carried_by(path, options.trust, despite), intake)
        yield from items

    total = len(paths) + len(items)
    if not hasattr(options, "scheduler"):
        options.scheduler, options.processes, options.tls = "", None, None
    with (
        open_archive(options.store, moment=now(), create=True) as archive,
        chosen_workers(options) as pool,
        progress("records") as show,
    ):
        bring_in(
            archive, everything(), moment=now(), by=options.by, intake=intake, executor=pool,
            progress=lambda done: show(done, total),
        )  # fmt: skip
        head = archive.head()
    if options.json:
        print(json.dumps({**intake.to_plain(), "head": str(head)}, ensure_ascii=False, indent=1))
    else:
        for remark in intake.remarks:
            print(f"note: {one_line(str(remark))}")
        if intake.pictured:
            print(f"note: {counted(intake.pictured, 'photo')}: shown by the reports that are kept; the camera's own files are not beside them, their digests are kept")  # fmt: skip
        for found in intake.faults:
            print(f"NOT KEPT: {one_line(str(found))}")
        for reason, count in sorted(intake.unjudged.items()):
            told = bool(tables) and reason == "calibration-unknown"
            repair = " (name due or due_column of the instrument in the mapping)" if told else ""
            print(f"NOT JUDGED: {count:,} of {counted(intake.to_judge, 'result')} that a limit applies to: {REASONS.get(reason, reason)}{repair}")  # fmt: skip
        print(f"{intake.added} added, {intake.known} there already, {counted(intake.files, 'report')} kept, {counted(len(intake.faults), 'fault')}")  # fmt: skip
        if intake.results:
            print(f"{counted(intake.results, 'new result')}, {intake.to_judge:,} of them with a limit that applies")
        print(f"head of the archive, keep it elsewhere: {head}")
    return 1 if intake.faults else 0


def run_mapping(options: argparse.Namespace) -> int:
    """Copy the shipped example, to be changed there."""
    from diagnb.shipped import templates_directory

    names = ("mapping-example.toml", "mapping-example.csv")
    taken = [Fault(str(options.folder / n), "is there already", "move it away, or name another folder") for n in names if (options.folder / n).exists()]  # fmt: skip
    if taken:
        raise InputFault(taken)
    for name in names:
        write_new(options.folder / name, (templates_directory() / "archive" / name).read_bytes())
        print(options.folder / name)
    return 0


def run_get(options: argparse.Namespace) -> int:
    """Print a record, or write it or one of its files."""
    from diagnb.archive import open_archive

    with open_archive(options.store, moment=now()) as archive:
        if options.file:
            if options.output is None:
                raise fault("-o", "is missing", "say where the file goes")
            data = archive.content(options.file)
        else:
            data = archive.document(options.record, options.revision)
    if options.output:
        write_new(options.output, data)
        print(f"{options.output}: {len(data):,} bytes")
    else:
        sys.stdout.write(data.decode() + "\n")
    return 0


def run_list(options: argparse.Namespace) -> int:
    """One line a record."""
    from diagnb.archive import open_archive

    with open_archive(options.store, moment=now()) as archive:
        found = archive.list(claim=options.claim, vin=options.vin, unit=options.unit)
        days = archive.days(r.seq for r in found)
        doubts = archive.doubts()
    _print_revisions(found, days, doubts, as_json=options.json)
    return 0


def _print_revisions(
    found: Sequence[Any], days: Mapping[int, str], doubts: Mapping[tuple[str, int, str], Doubt], *, as_json: bool
) -> None:
    # Without a trust list nobody was asked: that stands in the history of a record, and not in every line here.
    despite = {key[:2]: doubt for key, doubt in doubts.items() if doubt.despite}
    if as_json:
        of = {key: doubt.to_plain() for key, doubt in despite.items()}
        print(json.dumps([{**r.to_plain(), "day": days[r.seq], **of.get((r.record, r.revision), {})} for r in found], ensure_ascii=False, indent=1))  # fmt: skip
        return
    for r in found:
        facts = {name: one_line(str(value)) for name, value in r.facts.items()}
        print(f"{r.record:24} rev {r.revision:<3} {facts['claim']:16} {facts['unit'] or facts['vin']:18} {facts['circuit']:24} {days[r.seq]}  {r.digest[:16]}")  # fmt: skip
        if (r.record, r.revision) in despite:
            print(f"    {doubt_line(despite[r.record, r.revision])}")


def run_history(options: argparse.Namespace) -> int:
    """Every revision, and the files kept with it."""
    from diagnb.archive import open_archive

    with open_archive(options.store, moment=now()) as archive:
        found = archive.history(options.record)
        files = archive.attached(options.record)
        doubts = archive.doubts()
    if not found:
        raise fault(options.record, "is not in the archive", "see diagnb archive list")
    if options.json:

        def doubt_of(revision: int, sha256: str = "") -> dict[str, Any]:
            doubt = doubts.get((options.record, revision, sha256))
            return doubt.to_plain() if doubt else {}

        listed = [
            {"revision": f.revision, "kind": f.kind, "name": f.name, "sha256": f.sha256, "added": f.added, **doubt_of(f.revision, f.sha256)}
            for f in files
        ]  # fmt: skip
        plain = [{**r.to_plain(), **doubt_of(r.revision)} for r in found]
        print(json.dumps({"revisions": plain, "files": listed}, ensure_ascii=False, indent=1))
        return 0
    there = {r.revision for r in found}
    missing = [str(n) for n in range(1, max(there)) if n not in there]
    if missing:
        print(f"note: revision {', '.join(missing)} is not in the archive")
    for r in found:
        who = f" by {one_line(r.facts['added_by'])}" if r.facts["added_by"] else ""
        print(f"revision {r.revision}  added {r.added}{who}  entry {r.seq}  {r.digest}")
        for f in files:
            if f.revision == r.revision:
                print(f"    {f.kind} {one_line(f.name)}  {f.sha256}")
                if (r.record, f.revision, f.sha256) in doubts:
                    print(f"        {doubt_line(doubts[r.record, f.revision, f.sha256])}")
    return 0


def run_audit(options: argparse.Namespace) -> int:
    """Exit 1 when something speaks against the archive."""
    from diagnb.archive import open_archive
    from diagnb.archive.audit import audit, parse_head

    known = parse_head(options.head) if options.head else None
    with open_archive(options.store, moment=now()) as archive, progress("revisions") as show:
        found = audit(archive, known=known, recompute=options.recompute, progress=show)
    if options.json:
        print(json.dumps(found.to_plain(), ensure_ascii=False, indent=1))
    else:
        for one in found.findings:
            print(f"{'note: ' if one.remark else 'FOUND: '}{one_line(str(one))}")
        print(
            f"{counted(found.revisions, 'revision')}, {counted(found.results, 'result')} ({found.limited:,} of them with a limit that applies), {counted(found.files, 'file')}, "
            f"{found.recomputed:,} recomputed"
        )
        print(f"{'nothing was changed' if found.sound else 'NOT what was put into it'}; head {found.head}")
        if known is None:
            print("keep the head elsewhere: with it, the next audit also sees what was cut off at the end (--head)")
    return 0 if found.sound else 1


def run_export(options: argparse.Namespace) -> int:
    """Records as canonical JSON and their files, or the Parquet copy."""
    from diagnb.archive import open_archive

    with open_archive(options.store, moment=now()) as archive, progress("exported") as show:
        if not options.into:
            _check_target(options.folder, archive, parquet=options.parquet)
        if options.parquet:
            from diagnb.archive.copy import update_copy

            total = update_copy(archive, options.folder, progress=show)
            print(f"{options.folder}: {counted(total, 'result')} added; a copy for analysis, it may be deleted")
            if not any(options.folder.glob("results-*.parquet")):
                print("note: the archive holds no results yet, so there is nothing to copy")
            return 0
        found = archive.list(latest=False)
        for number, r in enumerate(found, 1):
            place = options.folder / r.record / f"revision-{r.revision}"
            write_new(place / "record.json", archive.document(r.record, r.revision))
            for attached in archive.attached(r.record, r.revision):
                # Names come from records and file systems: no path leads out of the folder.
                name = "".join(c if c.isalnum() or c in "._- " else "-" for c in attached.name).lstrip(".") or "file"
                write_new(place / f"{attached.kind}-{attached.sha256[:8]}-{name}", archive.content(attached.sha256))
            show(number, len(found))
        write_new(options.folder / "head.txt", f"{archive.head()}\n".encode())
    print(f"{options.folder}: {counted(len(found), 'revision')}; head.txt holds the head of the archive")
    return 0


def _check_target(folder: Path, archive: Archive, *, parquet: bool) -> None:
    """A fault where the folder holds what no earlier export of this kind has written."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise fault(str(folder), "is a file", "name a folder")
    there = sorted(p.name for p in folder.iterdir())
    if parquet:
        own = {
            n for n in there if n == "archive.txt" or (n.startswith("results-") and n.endswith((".parquet", ".part")))
        }
    else:
        records = {r.record for r in archive.list()}
        own = {n for n in there if n == "head.txt" or (n in records and (folder / n).is_dir())}
    other = [one_line(n) for n in there if n not in own]
    if other:
        more = f" and {len(other) - 3:,} more" if len(other) > 3 else ""
        raise fault(str(folder), f"holds something else: {', '.join(other[:3])}{more}", "name an empty folder, or add --into to write there all the same")  # fmt: skip


def run_grant(options: argparse.Namespace) -> int:
    """Least rights for a role that writes."""
    from diagnb.archive import open_archive

    with open_archive(options.store, moment=now()) as archive:
        archive.database.grant_writer(options.role)
    print(f"{options.role} may read and add; it can neither change nor remove")
    return 0
