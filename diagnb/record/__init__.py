"""The record: what was found, as one frozen document with one canonical form."""

from diagnb.record.attached import attached_name
from diagnb.record.canonical import canonical_bytes, digest, json_schema, plain
from diagnb.record.document import Record
from diagnb.record.door import complete, load_record, procedure_of, read_json, read_record, sheet_of
from diagnb.record.revision import amend, differences, void
from diagnb.record.vin import check_digit, model_years, vin_remark

__all__ = [
    "Record",
    "amend",
    "attached_name",
    "canonical_bytes",
    "check_digit",
    "complete",
    "differences",
    "digest",
    "json_schema",
    "load_record",
    "model_years",
    "plain",
    "procedure_of",
    "read_json",
    "read_record",
    "sheet_of",
    "vin_remark",
    "void",
]
