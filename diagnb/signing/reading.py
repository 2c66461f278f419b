"""Opening a PDF that may be hostile: bounded before it is parsed, refused with a reason code."""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import BytesIO
from typing import Any

MAX_BYTES = 128 << 20
MAX_REVISIONS = 32
MAX_STREAM_BYTES = 64 << 20
_MAX_NODES = 2_000_000

_ACTIONS = (
    "JS",
    "JavaScript",
    "OpenAction",
    "AA",
    "Launch",
    "URI",
    "XFA",
    "SubmitForm",
    "ImportData",
    "GoToR",
    "GoToE",
    "RichMedia",
    "Rendition",
)
_DELIMITER = rb"[\x00\t\n\f\r ()<>\[\]{}/%]"
_ACTION_NAME = re.compile(rb"/(?:%b)(?=%b|\Z)" % ("|".join(_ACTIONS).encode(), _DELIMITER))
_ESCAPED_NAME = re.compile(rb"/([^\x00\t\n\f\r ()<>\[\]{}/%#]*#[^\x00\t\n\f\r ()<>\[\]{}/%]*)")
_ESCAPE = re.compile(rb"#([0-9A-Fa-f]{2})")
_FORBIDDEN = frozenset(f"/{name}" for name in _ACTIONS)
_END = re.compile(rb"%%EOF(?:\r\n|\n|\r)?\Z")


class Refused(Exception):
    """The file is not looked at further; `code` says why."""

    def __init__(self, code: str) -> None:
        self.code = code
        super().__init__(code)


def check_frame(pdf: bytes) -> None:
    """Size, first and last bytes, number of revisions. Raises Refused; parses nothing."""
    if len(pdf) > MAX_BYTES:
        raise Refused("too-large")
    if not pdf.startswith(b"%PDF-"):
        raise Refused("junk-before-start" if b"%PDF-" in pdf[:4096] else "unreadable")
    if pdf.count(b"startxref") > MAX_REVISIONS:
        raise Refused("too-many-revisions")
    if not _END.search(pdf[-16:]):
        raise Refused("junk-after-end" if b"%%EOF" in pdf else "unreadable")


def open_pdf(pdf: bytes, *, strict: bool = True) -> Any:
    """A pyHanko reader over the bytes, with its decoders bounded. Raises Refused."""
    from pyhanko.pdf_utils.decode_limits import DecodeLimits, DocumentDecodeBudget, StreamDecodeLimits
    from pyhanko.pdf_utils.reader import PdfFileReader

    limits = DecodeLimits(
        per_stream=StreamDecodeLimits(max_output_size=MAX_STREAM_BYTES),
        document_budget=DocumentDecodeBudget(base_allowance=2 * MAX_STREAM_BYTES, max_ratio=20),
    )
    reader = PdfFileReader(BytesIO(pdf), strict=strict, decode_limits=limits)
    if "/Encrypt" in reader.trailer:
        raise Refused("encrypted")
    if reader.xrefs.hybrid_xrefs_present:
        raise Refused("hybrid-file")
    if reader.xrefs.total_revisions > MAX_REVISIONS:
        raise Refused("too-many-revisions")
    return reader


def refuse_actions(pdf: bytes, reader: Any) -> None:
    """Raise Refused when any revision holds a script, a link out, or another action.

    The bytes are searched first; the objects are read one by one only when a name was found or when
    names could be hidden (written with escapes, or packed into an object stream).
    """
    if not _looks_active(pdf):
        return
    for revision in range(reader.xrefs.total_revisions):
        resolver = reader.get_historical_resolver(revision)
        for ref in reader.xrefs.explicit_refs_in_revision(revision):
            if _names(resolver(ref)) & _FORBIDDEN:
                raise Refused("script-present")
        if _names(resolver.trailer_view) & _FORBIDDEN:
            raise Refused("script-present")


def _looks_active(pdf: bytes) -> bool:
    if b"/ObjStm" in pdf or _ACTION_NAME.search(pdf):
        return True
    written = {_ESCAPE.sub(lambda m: bytes([int(m[1], 16)]), m[1]) for m in _ESCAPED_NAME.finditer(pdf)}
    hidden = {name.decode("latin-1") for name in written}
    return bool(hidden & {*_ACTIONS, "ObjStm"})


def _names(root: Any) -> set[str]:
    from pyhanko.pdf_utils import generic

    found: set[str] = set()
    for node in walk(root):
        if isinstance(node, generic.DictionaryObject):
            found.update(str(key) for key in node)
        elif isinstance(node, generic.NameObject):
            found.add(str(node))
    return found


def entry(dictionary: Any, key: str, default: Any = None) -> Any:
    """The value of a key with its reference followed; the library's own `get` hands out the reference."""
    if key not in dictionary:
        return default
    value = dictionary.raw_get(key).get_object()
    return default if type(value).__name__ == "NullObject" else value


def walk(root: Any) -> Iterator[Any]:
    """The direct objects inside `root`, itself included, without following references or recursing."""
    from pyhanko.pdf_utils import generic

    waiting = [root]
    for _ in range(_MAX_NODES):
        if not waiting:
            return
        node = waiting.pop()
        yield node
        if isinstance(node, generic.DictionaryObject):
            waiting.extend(node.raw_get(key) for key in node)
        elif isinstance(node, generic.ArrayObject):
            waiting.extend(node.raw_get(index) for index in range(len(node)))
    raise Refused("too-deep")


def refuse_nested_fields(reader: Any) -> None:
    """Raise Refused when a revision has form fields inside fields; a report's fields stand side by side."""
    from pyhanko.pdf_utils import generic

    for revision in range(reader.xrefs.total_revisions):
        form = entry(reader.get_historical_resolver(revision).root, "/AcroForm")
        if form is None:
            continue
        fields = entry(form, "/Fields", ()) if isinstance(form, generic.DictionaryObject) else None
        if fields is None or len(fields) > 1000:
            raise Refused("unexpected-form")
        for index in range(len(fields)):
            field = fields[index]
            if not isinstance(field, generic.DictionaryObject) or "/Kids" in field:
                raise Refused("unexpected-form")
