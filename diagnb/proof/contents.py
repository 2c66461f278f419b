"""What the signed bytes of a report carry: record, evaluation, digest, pictures, and how the pages were drawn."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import rfc8785

from diagnb.errors import DiagnbError, Fault, InputFault
from diagnb.record import Record, canonical_bytes, read_json, read_record
from diagnb.redaction import check_redaction, digest_list
from diagnb.report.options import Options, read_options
from diagnb.report.pdf.metadata import NAMESPACE
from diagnb.report.photos import embedded_names
from diagnb.signing import embedded_files_and_xmp

ANALYSES = {"study.json": "analysis-of-failures", "impact.json": "analysis-of-impact"}
"""What travels inside a report that is no record but an analysis, and the reason that names it."""


class Contents:
    """Read from signed bytes alone. Raises nothing: what is wrong stands in ``reasons``."""

    def __init__(self, signed: bytes) -> None:
        self.reasons: list[str] = []
        self.record: Record | None = None
        self.evaluation: Mapping[str, Any] | None = None
        self.digest = ""
        self.digest_matches = False
        self.engine = ""
        self.evaluation_bytes = b""
        self.rendering = ""
        self.options: Options | None = None
        self.photos: dict[str, bytes] = {}
        self.digest_head = ""
        try:
            files, packet = embedded_files_and_xmp(signed)
            properties = own_properties(packet)
        except DiagnbError:
            self.reasons.append("unreadable")
            return
        self.engine, self.rendering = properties.get("engine", ""), properties.get("rendering", "")
        if "record.json" not in files:
            self.reasons.append(next((code for name, code in ANALYSES.items() if name in files), "record-missing"))
            return
        data = files["record.json"].data
        self.digest = hashlib.sha256(data).hexdigest()
        self.digest_matches = properties.get("recordDigest") == self.digest
        if not self.digest_matches:
            self.reasons.append("digest-differs")
        self._read_record(data)
        self._read_further(files)
        if "evaluation.json" not in files:
            self.reasons.append("evaluation-missing")
            return
        try:
            self.evaluation_bytes = files["evaluation.json"].data
            plain = read_json(self.evaluation_bytes, "evaluation.json")
        except InputFault:
            plain = None
        if isinstance(plain, Mapping):
            self.evaluation = plain
        else:
            self.reasons.append("evaluation-unreadable")

    def _read_further(self, files: Mapping[str, Any]) -> None:
        """How it was drawn, pictures, digest list; each against what the options and the record say."""
        if self.record is None:
            return
        try:
            self.options = read_options(self.rendering)
        except InputFault:
            return
        named = embedded_names(self.record)
        self.photos = {name: files[inside].data for name, inside in named.items() if inside in files}
        known = {"record.json", "evaluation.json", "digests.json", *named.values()}
        if set(files) - known:
            self.reasons.append("attachment-unexpected")
        if {n: hashlib.sha256(d).hexdigest() for n, d in self.photos.items()} != dict(self.options.photos):
            self.reasons.append("photo-differs")
        redaction = self.record.redaction
        if redaction is not None:
            self.digest_head = redaction.head
            if not check_redaction(self.record):
                self.reasons.append("redaction-broken")
        digests = None
        if self.options.salt and redaction is None:
            digests = digest_list(self.record, self.options.salt)
            self.digest_head = digests.head
        attached = files["digests.json"].data if "digests.json" in files else None
        if attached != (rfc8785.dumps(digests.to_plain()) if digests else None):
            self.reasons.append("digest-list-differs")

    def _read_record(self, data: bytes) -> None:
        try:
            self.record = read_record(read_json(data, "record.json"))
        except InputFault:
            self.reasons.append("record-unreadable")
            return
        if canonical_bytes(self.record) != data:
            self.reasons.append("record-not-canonical")


def own_properties(packet: bytes) -> dict[str, str]:
    """The properties of our own namespace in an XMP packet. Raises :class:`InputFault` on anything unusual."""
    import xml.etree.ElementTree as ElementTree

    if len(packet) > 2**20 or b"<!" in packet:
        raise InputFault(Fault("metadata", "is larger than expected or declares a document type"))
    try:
        root = ElementTree.fromstring(packet.strip())  # noqa: S314
    except ElementTree.ParseError as error:
        raise InputFault(Fault("metadata", "is not XML")) from error
    prefix = f"{{{NAMESPACE}}}"
    found: dict[str, str] = {}
    for element in root.iter():
        if element.tag.startswith(prefix):
            name = element.tag[len(prefix) :]
            if name in found:
                raise InputFault(Fault("metadata", f"{name} stands twice"))
            found[name] = element.text or ""
    return found
