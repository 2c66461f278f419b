"""``diagnb amend``, ``void``, ``redact`` and ``attach``: what may happen to a record after it was made."""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import Any

from diagnb.cli.files import Once, add_folder, write_new
from diagnb.cli.issuing import MEANING, add_rendering, find_photos, issue
from diagnb.cli.logfile import add_log
from diagnb.cli.proved import proved_report
from diagnb.cli.signers import signer
from diagnb.errors import Fault, InputFault, fault


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    amend = commands.add_parser("amend", help="a new revision that replaces a signed report and shows what changed")
    amend.add_argument("record", metavar="RECORD.json", type=Path, help="the whole record as it should be")
    amend.add_argument("--of", metavar="FILE.pdf", type=Path, required=True, help="the signed report to be replaced")
    amend.add_argument("--photos", metavar="DIR", type=Path, help="folder of the photos (default: that of the record)")
    add_folder(amend)
    amend.set_defaults(run=run_amend, meaning="Technician")
    void = commands.add_parser("void", help="declare a signed report void by a new signed revision; nothing is deleted")
    void.add_argument("report", metavar="FILE.pdf", type=Path)
    void.set_defaults(run=run_void, meaning="Void")
    redact = commands.add_parser("redact", help="a copy without personal fields that still proves all the others")
    redact.add_argument("report", metavar="FILE.pdf", type=Path, nargs="?", help="the signed original")
    redact.add_argument(
        "--fields",
        metavar="FIELD",
        nargs="+",
        action="extend",
        help="personal, vin, vin-tail, site, or places such as people[*].name, several with blanks or commas between"
        " (default personal)",
    )
    redact.add_argument(
        "--allow-mentions", action="store_true", help="go on although a removed value also stands in another field"
    )
    redact.set_defaults(run=run_redact, meaning="Copy", reason="")
    for parser in (amend, void):
        parser.add_argument("--reason", required=True, metavar="TEXT", help="why, in a sentence; stands in the report")
    for parser in (amend, void, redact):
        parser.add_argument("-o", "--output", metavar="FILE.pdf", type=Path, required=True)
        parser.add_argument(
            "--trust",
            metavar="FILE",
            type=Path,
            action=Once,
            help="the shop's trust list (default: keys/trust.json here, else trust.json beside the earlier report)",
        )
        add_rendering(parser)
        add_log(parser)
    attach = commands.add_parser("attach", help="list photos in a record, with their hashes")
    attach.add_argument("record", metavar="RECORD.json", type=Path)
    attach.add_argument("files", metavar="PHOTO", type=Path, nargs="+")
    attach.add_argument("--shows", default="", metavar="TEXT", help="what is to be seen in it")
    attach.set_defaults(run=run_attach)


def run_amend(options: argparse.Namespace) -> int:
    """Render and sign the amended record; prints what changed."""
    from diagnb.record import amend, load_record, plain, read_json

    _, old = proved_report(options.of, options.trust)
    document = read_json(options.record.read_bytes(), options.record.name)
    if isinstance(document, dict):
        document = {key: value for key, value in document.items() if key not in ("revision", "replaces")}
        _carry(document, plain(old))
    new = load_record(document, folder=options.folder)
    amended = amend(old, new, reason=options.reason)
    photos = find_photos(amended, options.photos, options.record.parent)
    _refuse_same(options.output, options.of)
    with signer(options, needed=False) as key:
        issue(options, amended, key=key, output=options.output, action="amend", photos=photos)
    print(f"{options.output}: revision {amended.revision}, {_signed(key)}; replaces revision {old.revision}")
    for change in amended.replaces.changes if amended.replaces else ():
        print(f"  {_change_line(change)}")
    return 0


def run_void(options: argparse.Namespace) -> int:
    """Render and sign the revision that makes the record void."""
    from diagnb.record import void

    _, old = proved_report(options.report, options.trust)
    record = void(old, reason=options.reason)
    _refuse_same(options.output, options.report)
    with signer(options, needed=False) as key:
        issue(options, record, key=key, output=options.output, action="void", meaning=MEANING["Void"])
    print(
        f"{options.output}: {record.id} is void from revision {record.revision} on, {_signed(key)}; {options.report} stays"
    )
    return 0


def run_redact(options: argparse.Namespace) -> int:
    """Render and sign the copy; prints what was removed."""
    from diagnb.proof import TECHNICIAN
    from diagnb.redaction import mentions, names_signer, redact

    _sort_fields(options)
    # whoever gets the copy sees the office's signature alone, so the office must know whose report it copies
    found, record = proved_report(options.report, options.trust, trusted=True)
    if not found.salt:
        raise fault(str(options.report), "carries no digest list", "render and sign the record again, then redact that")
    copy = redact(record, secret=found.salt, remove=options.fields)
    removed = copy.redaction.removed if copy.redaction else {}
    told = mentions(record, copy)
    if told and not options.allow_mentions:
        raise InputFault(
            Fault(place, f"still says what was removed from {gone}", "add it to --fields, or use --allow-mentions")
            for place, gone in told
        )
    _refuse_same(options.output, options.report)
    reviewed = any(s.field != TECHNICIAN and s.intact and s.trusted for s in found.signatures)
    with signer(options, needed=False) as key:
        if key is not None and names_signer(record, copy, key.name):
            print(
                f"diagnb: note: whoever verifies the copy reads the name of its signer, {key.name}, which is removed"
                " from its pages (a key of the office names nobody: `diagnb key add 'Claims office' --role office`)",
                file=sys.stderr,
            )
        issue(
            options, copy, key=key, output=options.output, action="redact", meaning=MEANING["Copy"],
            original_reviewed=reviewed,
        )  # fmt: skip
    print(f"{options.output}: copy of revision {copy.revision} without {len(removed)} fields, {_signed(key)}")
    for place in removed:
        print(f"  {place}")
    return 0


def run_attach(options: argparse.Namespace) -> int:
    """Write the record again with the photos in its list of attachments."""
    from diagnb.record import attached_name, read_json
    from diagnb.report import photo_attachment

    document = read_json(options.record.read_bytes(), options.record.name)
    if not isinstance(document, dict) or not isinstance(document.get("attachments", []), list):
        raise fault(str(options.record), "is not a record")
    listed = [*document.get("attachments", [])]
    for path in options.files:
        name = attached_name(path.name)
        if any(isinstance(a, dict) and a.get("name") == name for a in listed):
            raise fault(name, "is listed already", "give the file another name")
        entry = photo_attachment(path.read_bytes(), name=name, shows=options.shows)
        listed.append(entry.model_dump(mode="json", exclude_defaults=True))
        print(f"{name}: {entry.size:,} bytes, SHA-256 {entry.sha256}")
    document["attachments"] = listed
    write_new(options.record, (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode())
    return 0


def _carry(document: dict[str, Any], old: dict[str, Any]) -> None:
    """Sheets and procedures that the record names but does not carry come from the earlier report."""
    for key, entries, name in (("meters", "instruments", "meter"), ("procedures", "tests", "procedure")):
        carried = document.get(key, {})
        rows = document.get(entries)
        if not isinstance(carried, dict) or not isinstance(rows, list):
            continue
        named = {row.get(name) for row in rows if isinstance(row, dict) and isinstance(row.get(name), str)}
        kept = {n: sheet for n, sheet in old.get(key, {}).items() if n in named and n not in carried}
        if kept or carried:
            document[key] = {**carried, **kept}


def _sort_fields(options: argparse.Namespace) -> None:
    """The list of fields behind ``--fields`` may end with the report, as it is typed; commas part fields too."""
    fields = [part for text in options.fields or ["personal"] for part in text.split(",") if part]
    if options.report is None and fields and fields[-1].lower().endswith(".pdf"):
        options.report = Path(options.fields.pop())
        fields = [part for text in options.fields for part in text.split(",") if part]
    if options.report is None:
        raise fault("FILE.pdf", "is missing", "name the signed original")
    options.fields = tuple(fields or ["personal"])


def _refuse_same(output: Path, earlier: Path) -> None:
    if output.exists() and output.samefile(earlier):
        raise fault(str(output), "is the earlier report", "it is kept: write the new one to another file")


def _signed(key: Any) -> str:
    return f"signed by {key.name}" if key is not None else "NOT signed (no --key)"


_NOUNS = {
    "tests": "test", "people": "person", "instruments": "instrument", "attachments": "file", "parts": "part",
    "findings": "finding", "codes": "fault code", "readings": "reading",
}  # fmt: skip


def _change_line(change: Any) -> str:
    """One change as a sentence: an entry added or removed by its noun, else its place, before → after."""
    before, after = (" ".join(text.split()) for text in (change.before, change.after))
    if before and after:
        return f"{change.where}: {before} → {after}"
    entry = re.fullmatch(r"(\w+)\[(.+)\]", change.where)
    place = change.where
    if entry and entry[1] in _NOUNS:
        # entries without an id are counted; people count from 1
        number = entry[1] in ("parts", "findings", "codes") and entry[2].isdigit()
        place = f"{_NOUNS[entry[1]]} {int(entry[2]) + 1 if number else entry[2]}"
    return f"{place} {'added' if after else 'removed'}: {after or before}"
