"""Certifying many fresh reports quickly: the signature is written into the one revision that a report has.

For batches only. The signature dictionary, the form's and the catalog's entries are put into the objects of the file
itself, and the signature container is filled into a template that pyHanko made once for the key; verification treats
both kinds of file alike. Works on files as this package renders them: one cross-reference table, no earlier revision.
"""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime
from typing import Any

from diagnb.errors import Fault, SigningFault
from diagnb.signing.awaiting import finish
from diagnb.signing.keys import is_authority, require_valid
from diagnb.signing.sign import Signer, check_texts, pyhanko_signer, reserved_digits
from diagnb.signing.status import SignerStatus

_LINE = 20
_RANGE = 60
_MARK = hashlib.sha256(b"the digest that a template is made with").digest()
_DEVELOPER = b"<</Type /DeveloperExtensions /BaseVersion /%b /ExtensionLevel %d%b>>"
_MORE = b" /URL (https://www.iso.org/standard/45875.html) /ExtensionRevision (:2022)"
# the same entries that pyHanko writes, so that a countersignature later finds nothing to add
_CATALOG = (
    b" /Extensions <</ESIC %b /ISO_ [%b]>> /Version /2.0"
    % (_DEVELOPER % (b"1.7", 1, b""), _DEVELOPER % (b"2.0", 32002, _MORE))
) + b" /Perms <</DocMDP %d 0 R>>"
_PERMISSION = (
    b"/Reference [<</Type /SigRef /TransformMethod /DocMDP /TransformParams <</Type /TransformParams /V /1.2 /P 2>>>>]"
)


class OnePassSigner:
    """A key with its signature template; `certify` takes some 0.3 ms beside the key's own work."""

    def __init__(self, key: Signer) -> None:
        if is_authority(key.certificate):
            raise SigningFault(Fault("key", "is an authority's and signs no reports", "load a person's key"))
        self._key = key
        self._digits = reserved_digits(key, timestamped=False)
        container = finish(pyhanko_signer(key).async_sign(_MARK, "sha256", use_pades=True))
        signed = container["content"]
        row = signed["signer_infos"][0]
        parts = ("version", "digest_algorithms", "encap_content_info", "certificates")
        self._kind = container["content_type"].dump()
        self._head = b"".join(signed[part].dump() for part in parts)
        self._row_head = b"".join(row[part].dump() for part in ("version", "sid", "digest_algorithm"))
        self._attributes: bytes = row["signed_attrs"].untag().dump()
        self._algorithm: bytes = row["signature_algorithm"].dump()
        if self._attributes.count(_MARK) != 1:
            raise SigningFault(Fault("key", "its signatures don't fit a template", "sign the reports one by one"))

    def certify(self, pdf: bytes, *, field: str, reason: str, location: str = "", moment: datetime) -> bytes:
        """The fresh report with a certification signature in `field`, still one revision.

        The same arguments, meaning and faults as `certify`, which can do everything that this refuses.
        """
        check_texts(reason=reason, location=location, moment=moment)
        require_valid(self._key.certificate, moment, where="key")
        ready, start, end = _prepared(
            pdf, field=field, reason=reason, location=location, moment=moment, digits=self._digits
        )
        digest = hashlib.sha256(ready[:start])
        digest.update(ready[end:])
        value = self._container(digest.digest()).hex().encode("ascii")
        room = end - start - 2
        if len(value) > room:
            raise SigningFault(Fault("key", "its signature needs more room than was kept for it"))
        return ready[: start + 1] + value.ljust(room, b"0") + ready[end - 1 :]

    def _container(self, digest: bytes) -> bytes:
        attributes = self._attributes.replace(_MARK, digest)
        signature = _der(0x04, self._key.sign(attributes))
        row = _der(0x30, self._row_head + b"\xa0" + attributes[1:] + self._algorithm + signature)
        return _der(0x30, self._kind + _der(0xA0, _der(0x30, self._head + _der(0x31, row))))


def comes_from(signed: bytes, unsigned: bytes, *, signature: SignerStatus) -> bool:
    """Whether a file signed in one pass is `unsigned` with exactly this signature written into it.

    `signed` are the bytes that the signature covers. Nothing but the signature value itself is left out.
    """
    found = re.search(rb"/Contents <(0*[0-9A-Fa-f]+)> /ByteRange \[0 (\d+) (\d+) (\d+)\]", signed)
    if found is None or signature.stated_at is None:
        return False
    try:
        ready, start, end = _prepared(
            unsigned,
            field=signature.field,
            reason=signature.reason,
            location=signature.location,
            moment=signature.stated_at,
            digits=len(found[1]),
        )
    except SigningFault:
        return False
    return len(ready) == len(signed) and ready[:start] == signed[:start] and ready[end:] == signed[end:]


def _prepared(
    pdf: bytes, *, field: str, reason: str, location: str, moment: datetime, digits: int
) -> tuple[bytes, int, int]:
    """The file with an empty signature, and where its value `<00…>` begins and ends."""
    table, offsets, trailer = _structure(pdf)
    catalog = _number(rb"/Root (\d+) 0 R", trailer)
    root = _object(pdf, offsets, catalog)
    form_number = _number(rb"/AcroForm (\d+) 0 R", root[1])
    form = _object(pdf, offsets, form_number)
    name = b"/T (%b) " % field.encode("latin-1", "replace")
    fields = [_object(pdf, offsets, int(n)) for n in re.findall(rb"(\d+) 0 R", form[1])]
    chosen = [each for each in fields if name in each[1] and b"/FT /Sig" in each[1]]
    if len(chosen) != 1:
        raise SigningFault(Fault("field", f"there is no signature field {field!r}"))
    if any(re.search(rb"/V\b", each[1]) for each in fields) or b"/SigFlags" in form[1]:
        raise SigningFault(Fault("pdf", "is signed already", "render it again"))
    if any(key in root[1] for key in (b"/Perms", b"/Extensions", b"/Version")):
        raise _unknown()
    new = len(offsets)
    inserts = sorted(
        [
            (root[0], _CATALOG % new),
            (form[0], b" /SigFlags 3"),
            (chosen[0][0], b" /V %d 0 R" % new),
        ]
    )
    pieces, last = [], 0
    for at, text in inserts:
        pieces += [pdf[last:at], text]
        last = at
    body = b"".join([*pieces, pdf[last:table]])
    opening = b"%d 0 obj\n<</Type /Sig /Filter /Adobe.PPKLite /SubFilter /ETSI.CAdES.detached /Contents " % new
    start = len(body) + len(opening)
    end = start + digits + 2
    rest = b" /M (D:%b) /Reason %b" % (moment.astimezone(UTC).strftime("%Y%m%d%H%M%SZ").encode(), _text(reason))
    rest += b" /Location %b" % _text(location) if location else b""
    rest += b" " + _PERMISSION + b">>\nendobj\n"
    xref = end + len(b" /ByteRange ") + _RANGE + len(rest)
    moved = _moved(offsets, inserts)
    lines = b"".join([b"%010d 00000 n \n" % offset for offset in (*moved[1:], len(body))])
    tail = b"xref\n0 %d\n0000000000 65535 f \n" % (new + 1) + lines
    tail += trailer.replace(b"/Size %d" % new, b"/Size %d" % (new + 1), 1)
    tail += b"startxref\n%d\n%%%%EOF\n" % xref
    total = xref + len(tail)
    span = (b"[0 %d %d %d]" % (start, end, total - end)).ljust(_RANGE)
    value = b"<" + b"0" * digits + b">"
    return b"".join([body, opening, value, b" /ByteRange ", span, rest, tail]), start, end


def _structure(pdf: bytes) -> tuple[int, list[int], bytes]:
    """Where the table begins, the offset of every object, and the trailer's text."""
    found = re.search(rb"startxref\n(\d{1,10})\n%%EOF\n\Z", pdf[-64:])
    if not pdf.startswith(b"%PDF-") or found is None:
        raise _unknown()
    table = int(found[1])
    head = re.compile(rb"xref\n0 (\d{1,7})\n0000000000 65535 f \n").match(pdf, table)
    if head is None or pdf.count(b"startxref") != 1:
        raise _unknown()
    count = int(head[1])
    first = head.end()
    last = first + (count - 1) * _LINE
    lines = pdf[first:last]
    offsets = [0, *(int(lines[at : at + 10]) for at in range(0, len(lines), _LINE))]
    trailer = pdf[last : -len(pdf[-64:]) + found.start() or None]
    if not trailer.startswith(b"trailer\n") or b"/Prev" in trailer or b"/Encrypt" in trailer:
        raise _unknown()
    if b"/Size %d\n" % count not in trailer or len(offsets) != count:
        raise _unknown()
    return table, offsets, trailer


def _object(pdf: bytes, offsets: list[int], number: int) -> tuple[int, bytes]:
    """Where the last `>>` of a dictionary object stands, and the object's text before it."""
    if not 0 < number < len(offsets):
        raise _unknown()
    start = offsets[number]
    opening = b"%d 0 obj\n" % number
    end = pdf.find(b"endobj", start)
    text = pdf[start:end].rstrip()
    if not text.startswith(opening) or not text.endswith(b">>") or b"stream" in text:
        raise _unknown()
    return start + len(text) - 2, text[len(opening) : -2] + b" "


def _moved(offsets: list[int], inserts: list[tuple[int, bytes]]) -> list[int]:
    grown = [(at, sum(len(text) for place, text in inserts if place <= at)) for at, _ in inserts]
    (a, plus_a), (b, plus_b), (c, plus_c) = grown
    return [o if o < a else o + plus_a if o < b else o + plus_b if o < c else o + plus_c for o in offsets]


def _number(pattern: bytes, text: bytes) -> int:
    found = re.findall(pattern, text)
    if len(found) != 1:
        raise _unknown()
    return int(found[0])


def _text(text: str) -> bytes:
    """A PDF text string (ISO 32000-2 section 7.9.2.2)."""
    if text.isascii():
        return b"(" + re.sub(rb"([\\()])", rb"\\\1", text.encode("ascii")) + b")"
    return b"<FEFF" + text.encode("utf-16-be").hex().upper().encode("ascii") + b">"


def _der(tag: int, content: bytes) -> bytes:
    length = len(content)
    if length < 0x80:
        return bytes((tag, length)) + content
    size = length.to_bytes((length.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(size))) + size + content


def _unknown() -> Any:
    return SigningFault(Fault("pdf", "is not a file as this package renders it", "sign it by itself, not in a batch"))
