"""What the review view and the rich display put first about a report."""

from __future__ import annotations

from dataclasses import replace

from diagnb.notebook.answers import five_answers, overall
from diagnb.proof import Verification, unanswered
from diagnb.signing import SignerStatus

GOOD = replace(unanswered("r.pdf", "unreadable"), reasons=(), trustworthy=True, record_id="R-1", revision=2)


def test_void_comes_before_trustworthy_and_superseded_is_no_good_word() -> None:
    notice = replace(GOOD, status="void", state="void")
    assert overall(notice).startswith("✗ VOID: this report declares record R-1 void")
    assert overall(GOOD) == "✓ Trustworthy: all five answers hold."
    old = replace(GOOD, state="superseded", relations=("superseded by r2.pdf (revision 3)",))
    assert overall(old) == "✗ SUPERSEDED by r2.pdf (revision 3)."
    void = replace(GOOD, state="void", reasons=("void",), trustworthy=False, relations=("declared void by r3.pdf",))
    assert overall(void) == "✗ VOID: declared void by r3.pdf."
    demo = replace(GOOD, notes=("demonstration-only",))
    assert overall(demo) == "✓ Trustworthy as a demonstration only (trust list came with it)."
    forged = replace(notice, reasons=("digest-mismatch",), trustworthy=False)
    assert overall(forged).startswith("✗ Not trustworthy")


def signed_by(name: str, *codes: str) -> Verification:
    signer = SignerStatus("Technician", name, "", bool(name), False, None, False, True, "", "", 9, "ab", codes)
    return replace(GOOD, signatures=(signer,), trustworthy=False, reasons=codes)


def test_the_evidence_about_a_signer_says_which_fault_it_is() -> None:
    assert "the certificate has EXPIRED" in five_answers(signed_by("R. Example", "certificate-expired"))[1].evidence[0]
    assert "NOT on the trust list" in five_answers(signed_by("R. Example", "not-trusted"))[1].evidence[0]
    assert five_answers(signed_by("", "byte-range-wrong"))[1].evidence == (
        "Technician: can't be read, so it names nobody.",
    )
