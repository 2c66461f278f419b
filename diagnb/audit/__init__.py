"""The audit log: lines that are only ever added, one Merkle head over all of them (RFC 9162), proofs.

Knows no record and no report: bytes and plain rows. Importing it loads nothing heavy.
"""

from diagnb.audit.entry import ACTIONS, MOST_TEXT, SCHEMA, Entry, Event, read_line, refuse_unknown
from diagnb.audit.log import AuditLog, LogCheck, check_lines, lines_of
from diagnb.audit.proof import LogProof, prove_consistency, prove_inclusion, read_proof
from diagnb.audit.tree import (
    Head,
    Tree,
    consistency_path,
    head_of,
    inclusion_path,
    leaf_hash,
    read_head,
    verify_consistency,
    verify_inclusion,
)

__all__ = [
    "ACTIONS",
    "MOST_TEXT",
    "SCHEMA",
    "AuditLog",
    "Entry",
    "Event",
    "Head",
    "LogCheck",
    "LogProof",
    "Tree",
    "check_lines",
    "consistency_path",
    "head_of",
    "inclusion_path",
    "leaf_hash",
    "lines_of",
    "prove_consistency",
    "prove_inclusion",
    "read_head",
    "read_line",
    "read_proof",
    "refuse_unknown",
    "verify_consistency",
    "verify_inclusion",
]
