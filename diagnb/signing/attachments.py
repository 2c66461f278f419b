"""Files embedded in a PDF, its document information and its XMP packet, read with bounds.

Hand in signed bytes (`SignatureStatus.signed_bytes`) whenever the answer is to be trusted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from diagnb.errors import Fault, InputFault
from diagnb.signing.reading import MAX_STREAM_BYTES, Refused, entry, open_pdf
from diagnb.signing.status import REASONS

_MAX_FILES = 256

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class EmbeddedFile:
    """One associated file: its name, its bytes, its relationship (`Source`, `Data`, …), its media type."""

    name: str
    data: bytes = field(repr=False)
    relationship: str
    media_type: str


def embedded_files(pdf: bytes, *, limit: int = MAX_STREAM_BYTES) -> dict[str, EmbeddedFile]:
    """The files that both the catalog's /AF and its /Names /EmbeddedFiles list, by name.

    Two lists that differ, a name that stands twice, and more than `limit` bytes in all are refused: readers
    would disagree on what is attached. Raises InputFault; an unattached file gives an empty dict.
    """
    return _guarded(lambda: _embedded_files(open_pdf(pdf), limit))


def embedded_files_and_xmp(pdf: bytes, *, limit: int = MAX_STREAM_BYTES) -> tuple[dict[str, EmbeddedFile], bytes]:
    """What :func:`embedded_files` and :func:`xmp_packet` give, with the file read once. Raises InputFault."""

    def both() -> tuple[dict[str, EmbeddedFile], bytes]:
        reader = open_pdf(pdf)
        return _embedded_files(reader, limit), raw_xmp(reader)

    return _guarded(both)


def document_information(pdf: bytes) -> dict[str, str]:
    """The text entries of the document information dictionary (/Title, /Author, …), keys without slash."""
    return _guarded(lambda: {k: v for k, v in raw_information(open_pdf(pdf)).items() if isinstance(v, str)})


def xmp_packet(pdf: bytes) -> bytes:
    """The catalog's XMP metadata stream, decoded; empty when there is none. Raises InputFault."""
    return _guarded(lambda: raw_xmp(open_pdf(pdf)))


def raw_information(reader: Any) -> dict[str, str | bytes]:
    """Document information of an open file; what is no text comes as the bytes it is written with."""
    from io import BytesIO

    from pyhanko.pdf_utils import generic

    if "/Info" not in reader.trailer:
        return {}
    plain: dict[str, str | bytes] = {}
    info = reader.trailer_view["/Info"]
    for key in info:
        value = info[key]
        if isinstance(value, generic.TextStringObject | generic.NameObject):
            plain[str(key)[1:]] = str(value)
        else:
            written = BytesIO()
            value.write_to_stream(written, None)
            plain[str(key)[1:]] = written.getvalue()
    return plain


def raw_xmp(reader: Any) -> bytes:
    """XMP metadata of an open file, decoded; empty when there is none."""
    from pyhanko.pdf_utils import generic

    metadata = entry(reader.root, "/Metadata")
    if metadata is None:
        return b""
    if not isinstance(metadata, generic.StreamObject):
        raise ValueError("the metadata is not a stream")  # noqa: TRY004 - becomes a fault
    return bytes(metadata.data)


def _guarded(read: Callable[[], T]) -> T:
    try:
        return read()
    except InputFault:
        raise
    except Refused as refusal:
        raise InputFault(Fault("pdf", REASONS[refusal.code])) from None
    except Exception as error:  # noqa: BLE001 - hostile bytes may break the parser in any way
        raise InputFault(Fault("pdf", f"can't be read ({type(error).__name__})")) from None


def _embedded_files(reader: Any, limit: int) -> dict[str, EmbeddedFile]:
    associated = _references(entry(reader.root, "/AF", ()), "AF")
    listed = [(name, ref) for name, ref in _named(reader)]
    faults = []
    if len(set(associated)) != len(associated) or len({ref for _, ref in listed}) != len(listed):
        faults.append(Fault("attachments", "a file is listed twice"))
    if set(associated) != {ref for _, ref in listed}:
        faults.append(Fault("attachments", "a file is in one of the two lists of attachments only"))
    if faults:
        raise InputFault(faults)
    files: dict[str, EmbeddedFile] = {}
    used: set[Any] = set()
    room = limit
    for listed_name, ref in listed:
        spec = ref.get_object()
        names = {str(spec[key]) for key in ("/F", "/UF") if key in spec} | {listed_name}
        if len(names) != 1 or listed_name in files:
            raise InputFault(Fault("attachments", "a file has two names, or two files have one"))
        bodies = {spec["/EF"].raw_get(key).reference for key in ("/F", "/UF") if key in spec["/EF"]}
        if len(bodies) != 1 or bodies & used:
            raise InputFault(Fault(f"attachment {listed_name!r}", "its content is not told apart clearly"))
        used |= bodies
        stream = next(iter(bodies)).get_object()
        data = bytes(stream.data)
        room -= len(data)
        if room < 0:
            raise InputFault(Fault("attachments", f"hold more than {limit} bytes"))
        files[listed_name] = EmbeddedFile(
            name=listed_name,
            data=data,
            relationship=str(entry(spec, "/AFRelationship", "/Unspecified"))[1:],
            media_type=str(entry(stream, "/Subtype", "/"))[1:],
        )
    return files


def _references(array: Any, where: str) -> list[Any]:
    if len(array) > _MAX_FILES:
        raise InputFault(Fault(where, "lists too many files"))
    return [_reference(array, index) for index in range(len(array))]


def _reference(array: Any, index: int) -> Any:
    reference = getattr(array.raw_get(index), "reference", None)
    if reference is None:
        raise InputFault(Fault("attachments", "a file is described in place, not by reference"))
    return reference


def _named(reader: Any) -> list[tuple[str, Any]]:
    names = entry(reader.root, "/Names")
    tree = entry(names, "/EmbeddedFiles") if names is not None else None
    found: list[tuple[str, Any]] = []
    waiting = [tree] if tree is not None else []
    for _ in range(_MAX_FILES):
        if not waiting:
            return found
        node = waiting.pop()
        leaves = entry(node, "/Names", ())
        if len(leaves) > 2 * _MAX_FILES or len(leaves) % 2:
            break
        found += [(str(leaves[i]), _reference(leaves, i + 1)) for i in range(0, len(leaves), 2)]
        kids = entry(node, "/Kids", ())
        waiting.extend(kids[index] for index in range(min(len(kids), _MAX_FILES)))
    if waiting or len(found) > _MAX_FILES:
        raise InputFault(Fault("attachments", "the list of files is malformed or too long"))
    return found
