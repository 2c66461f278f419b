"""Every code that a verification can give, what it means, and what helps."""

from __future__ import annotations

from diagnb.lineage import NOTES as LINEAGE_NOTES
from diagnb.lineage import REASONS as LINEAGE_REASONS
from diagnb.signing import NOTES as SIGNATURE_NOTES
from diagnb.signing import REASONS as SIGNATURE_REASONS
from diagnb.signing import REMEDIES as SIGNATURE_REMEDIES

REASONS: dict[str, str] = {
    **SIGNATURE_REASONS,
    **SIGNATURE_NOTES,
    "record-missing": "the report carries no record",
    "analysis-of-failures": "this is an analysis report on a recurring failure, not a record; `diagnb fleet recompute`"
    " works its numbers out again",
    "analysis-of-impact": "this is an analysis report on what a change concerns, not a record; `diagnb impact` works its"
    " list out again from the archive",
    "record-unreadable": "the embedded record can't be read",
    "record-not-canonical": "the embedded record is not in canonical form",
    "digest-differs": "the digest in the report is not that of the embedded record",
    "pages-differ": "the pages are not those that the embedded record gives",
    "rendering-unreadable": "the report does not say how it was drawn",
    "evaluation-missing": "the report carries no evaluation",
    "evaluation-unreadable": "the embedded evaluation can't be read",
    "evaluation-differs": "recomputing the record gives other numbers or verdicts",
    "signer-not-named": "who signed in the technician's place is nobody whom the record names",
    "signed-by-office": "signed by the office, not by a person who the record says took part",
    "reviewer-is-technician": "technician and reviewer are one person, so nobody else has looked at it",
    "file-unreadable": "the file can't be read",
    "took-too-long": "verifying the file took longer than allowed",
    "trust-list-unreadable": "the trust list can't be read",
    "verification-stopped": "verifying the file broke off: it needs more memory than allowed, or breaks a library",
    "trust-list-beside": "nobody vouches for the trust list that lay beside the report: it may have come with it",
    **LINEAGE_REASONS,
    **LINEAGE_NOTES,
    "pages-not-proved": "other drawing code made the pages (another version), so they can't be compared with the record:"
    " believe the record inside, not the pages (`diagnb evaluate FILE.pdf`, or the review view)",
    "drawn-alike": "the pages were packed by other libraries, or recomputed to other last digits; what they show is the same",
    "demonstration": "this is a demonstration with invented data",
    "throw-away-key": "signed with a throw-away key that anybody can make, so it proves nobody",
    "demonstration-only": "it proves itself as a demonstration only, because the trust list came with it",
}
"""Every reason code with what it means."""

REMEDIES: dict[str, str] = {
    **SIGNATURE_REMEDIES,
    "trust-list-beside": "get the shop's trust list by another way than the report, compare the fingerprint with the"
    " shop, and name it with --trust or keep it as keys/trust.json of the folder you work in",
    "signature-cut-off": "ask the shop for the file with all signatures: the log names who signed further and when"
    " (`diagnb log show --record`); whoever took the last signature off may have wanted it unseen",
    "record-missing": "ask the shop for the signed report itself: this may be another document, or a printed copy",
    "digest-differs": "ask the shop for the file again, and show them this answer",
    "pages-differ": "trust the record, not the pages: have the shop make the report anew from the record",
    "evaluation-differs": "the places follow; ask the shop to make the report anew from its record",
    "not-in-log": "ask the shop for the log's line about this report (`diagnb log prove --record`), or which log it is in",
    "void": "ask the shop for the report that says why, and for the record that counts instead",
    "signer-not-named": "have the record signed by the technician it names; or name the signer in it (`diagnb amend`)",
    "reviewer-is-technician": "have a second person review and countersign",
    "file-unreadable": "check the name and whether you may read the file",
}
"""What would help, or would have helped, where something can."""
