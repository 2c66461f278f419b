"""The canonical form of a record (RFC 8785), its digest, and its JSON Schema."""

from __future__ import annotations

import hashlib
from typing import Any

import rfc8785

from diagnb.record.document import Record


def plain(record: Record) -> dict[str, Any]:
    """The record as a plain JSON document, without what is left at its default.

    So a later version may add optional parts without changing the canonical form, and the digest, of any
    record that was written before.
    """
    document = record.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    return {"schema": record.schema_, "revision": record.revision, **document}


def canonical_bytes(record: Record) -> bytes:
    """The one byte string of this record: JSON in the canonical form of RFC 8785."""
    return record.once("canonical", lambda: rfc8785.dumps(plain(record)))


def digest(record: Record) -> str:
    """SHA-256 of the canonical bytes, 64 hexadecimal digits."""
    return hashlib.sha256(canonical_bytes(record)).hexdigest()


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of a record."""
    schema = Record.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": "diagnb-record/1", **schema}
