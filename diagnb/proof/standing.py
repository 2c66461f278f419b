"""What a report and its signers are worth, in a few words; the same in the terminal, in tables and in notebooks."""

from __future__ import annotations

from diagnb.proof.verification import Verification
from diagnb.signing import SignerStatus

_STANDINGS = {
    "not-trusted": "NOT on the trust list",
    "certificate-expired": "the certificate has EXPIRED",
    "certificate-not-yet-valid": "the certificate is NOT YET VALID",
    "certificate-revoked": "the key is REVOKED",
    "outside-trust-period": "signed OUTSIDE the period of trust",
    "key-not-for-signing": "the certificate is NOT for signing",
    "signing-time-missing": "NO time of signing",
    "signing-time-in-future": "signed LATER than now",
    "timestamp-not-trusted": "its time stamp is NOT trusted",
    "timestamp-invalid": "its time stamp is BROKEN",
    "timestamp-expired": "its time stamp has EXPIRED",
    "timestamp-revoked": "its time stamp's service is REVOKED",
}


_RAN_OUT = frozenset({"certificate-expired", "timestamp-expired"})


def standing(found: Verification) -> str:
    """What a report is worth, in a few words: void and superseded come before trustworthy."""
    if set(found.reasons) - {"void"}:
        if found.reasons == ("trust-list-beside",):
            return "NOT TRUSTWORTHY: nobody vouches for the trust list that lay beside it"
        if set(found.reasons) <= _RAN_OUT:
            return "NOT TRUSTWORTHY ANY MORE: nothing was altered, but no time stamp proves that it was signed in time"
        return "NOT TRUSTWORTHY" + (", though it says that its record is VOID" if found.status == "void" else "")
    if found.status == "void":
        return f"VOID: this report declares record {found.record_id} void; the notice itself is TRUSTWORTHY"
    by = [each for each in found.relations if each.startswith(("superseded by", "declared void by"))]
    if found.state == "void":
        return f"VOID: {by[0] if by else 'declared void later, the log says'}"
    if found.state == "superseded":
        return by[0].replace("superseded", "SUPERSEDED", 1) if by else "SUPERSEDED by a later revision, the log says"
    if "pages-not-proved" in found.notes:
        return "TRUSTWORTHY as to its record; its PAGES are NOT PROVED (drawn by another version)"
    if "demonstration-only" in found.notes:
        return "TRUSTWORTHY as a demonstration only (trust list came with it)"
    return "TRUSTWORTHY"


def signer_standing(signer: SignerStatus, *, beside: bool = False) -> str:
    """What the trust list says about a signer; ``beside``: the list only lay beside the report."""
    if not signer.intact:
        return "not asked, because the signature is broken"
    if signer.trusted:
        return "on the trust list"
    said = ", ".join(said for code, said in _STANDINGS.items() if code in signer.codes)
    return said or ("only on the list that lay beside it" if beside else "NOT trusted")
