"""Lines of text for a terminal: results, remarks, verification."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from diagnb.quantities import significant, value_with_uncertainty

if TYPE_CHECKING:
    from diagnb.conformity import Advice
    from diagnb.evaluation import Evaluation, Result, UsedLimit
    from diagnb.proof import Verification
    from diagnb.readiness import Remark
    from diagnb.signing import SignerStatus


def evaluation_lines(evaluation: Evaluation) -> Iterable[str]:
    """One block a test, one line a result, advice below it."""
    yield f"record {evaluation.record}, revision {evaluation.revision}"
    for test in evaluation.tests:
        yield ""
        yield f"test {test.id} ({test.phase}): {test.title}"
        for result in test.results:
            if not result.to_judge and result.value is None and not test.missing:
                continue
            yield f"  {result_line(result)}"
            for advice in result.advice:
                yield f"      {advice_line(advice, result.unit)}"


def quantity_text(result: Result) -> str:
    """``0.240 ± 0.008 V (k = 1.71, 95 %)`` or a dash."""
    if result.at_least is not None:
        return f"above {significant(result.at_least, 3)}{'' if result.unit == '1' else ' ' + result.unit}"
    if result.value is None or result.expanded_uncertainty is None:
        return "no value"
    value, expanded = value_with_uncertainty(result.value, result.expanded_uncertainty)
    symbol = "" if result.unit == "1" else f" {result.unit}"
    return f"{value} ± {expanded}{symbol}"


def limit_text(limit: UsedLimit) -> str:
    """``≤ 0.2 V``."""
    symbol = "" if limit.unit == "1" else f" {limit.unit}"
    if limit.lower is not None and limit.upper is not None:
        return f"{limit.lower:g} to {limit.upper:g}{symbol}"
    return f"≥ {limit.lower:g}{symbol}" if limit.lower is not None else f"≤ {limit.upper:g}{symbol}"


def result_line(result: Result) -> str:
    """Value, limit, verdict and reason of one result in one line."""
    from diagnb.conformity import REASONS

    text = f"{result.title}: {quantity_text(result)}"
    if result.reason == "no-limit":
        return text
    if result.limit:
        text += f"; limit {limit_text(result.limit)}"
    text += f": {result.verdict.verdict.upper()}: {REASONS[result.reason]}"
    if result.detail:
        text += f" ({result.detail})"
    probability = result.verdict.conformance_probability
    if probability is not None and result.reason != "not-capable":
        said = probability_text(probability)
        text += f"; P(conforms) {said if said[0] in '<>' else '= ' + said}"
    return text


def probability_text(probability: float) -> str:
    """A probability in per cent, never printed as certain."""
    if probability > 0.999:
        return "> 99.9 %"
    if probability < 0.001:
        return "< 0.1 %"
    return f"{100 * probability:.1f} %"


def advice_line(advice: Advice, unit: str) -> str:
    """One line of advice in English, in the words of the report."""
    from diagnb.report.wording import load_wording

    wording = load_wording("en")
    key = f"advice.{advice.code}" if wording.has(f"advice.{advice.code}") else "advice.other"
    symbol = "" if unit == "1" else f" {unit}"
    values: dict[str, str] = {"code": advice.code, **advice.words}
    for name, number in advice.numbers.items():
        shown = f"{100 * number:.0f} %" if name == "share" else significant(number, 2)
        values[name] = f"{shown}{symbol}" if name.startswith("u_") else shown
    mark = "→" if advice.settles else "·"
    return f"{mark} {wording.sentences[key].format(**values)}"


def remark_lines(remarks: Iterable[Remark]) -> Iterable[str]:
    """One remark a line: severity, code, where, message, repair."""
    for remark in remarks:
        yield f"{remark.severity:8} {remark.code}  {remark.where}: {remark.message}. Repair: {remark.repair}."


def verification_lines(found: Verification) -> Iterable[str]:
    """The five answers, one line each, then the reasons."""
    from diagnb.proof import REASONS
    from diagnb.signing import REMEDIES

    if found.analysis:
        good = "signature good" if found.reasons == (found.analysis,) else "signature NOT good"
        again = "fleet recompute" if found.analysis == "analysis-of-failures" else "impact"
        yield f"{found.file}: AN ANALYSIS REPORT, NOT A RECORD: {good}; see diagnb {again}"
    else:
        yield f"{found.file}: {'TRUSTWORTHY' if found.trustworthy else 'NOT TRUSTWORTHY'}"
    intact = bool(found.signatures) and all(s.intact for s in found.signatures)
    signed = bool(found.signatures)
    none = "nothing is signed" if "no-signature" in found.reasons else "not checked"
    yield f"  1 signed bytes unchanged: {_yes(intact) if signed else none}"
    yield f"  2 signed by a trusted person: {_yes(all(s.trusted for s in found.signatures)) if signed else none}"
    for s in found.signatures:
        when = s.signed_at.isoformat(sep=" ") if s.signed_at else "no time"
        stamp = "time-stamped" if s.timestamped else "the signer's own clock"
        yield f"      {s.field}: {s.signer} ({s.role}), {when}, {stamp}; {_standing(s)}"
        if s.proven_at is not None:
            proven = s.proven_at.isoformat(sep=" ")
            yield f"        valid at {proven}, proven by a time stamp: {_yes(s.trusted)}; valid now: {_yes(s.trusted_now)}"
    for t in found.stamps:
        when = t.time.isoformat(sep=" ") if t.time else "no time"
        due = f", renew before {t.renew_before:%Y-%m-%d}" if t.renew_before and t.trusted else ""
        yield f"      time stamp over the whole file: {when} by {t.service}{due}; {'on' if t.trusted else 'NOT on'} the trust list"
    yield f"  3 nothing added later: {_yes(not found.later_changes) if intact else 'not checked'}"
    said = {"same": "yes, byte for byte", "differ": "NO", "other-version": "drawn by another version; see answer 5"}
    yield f"  4 pages come from the record: {said.get(found.pages, 'not checked')}"
    if found.results:
        same = found.results if not found.differing else f"{len(found.differing)} differences in"
        yield f"  5 recomputed: {same}{' of' if not found.differing else ''} {found.results} results{' the same' if not found.differing else ''}"
    else:
        yield "  5 recomputed: not checked"
    if found.log != "not checked":
        yield f"  in the shop's log: {found.log}"
    if found.record_id:
        yield f"    record {found.record_id}, revision {found.revision}, SHA-256 {found.digest}"
    for note in found.notes:
        yield f"    note: {REASONS[note]} [{note}]"
    for reason in found.reasons:
        yield f"    reason: {REASONS.get(reason, reason)} [{reason}]"
        if reason in REMEDIES:
            yield f"      what helps: {REMEDIES[reason]}"
    for difference in found.differing[:5]:
        yield f"    {difference.where}: report says {difference.embedded}, recomputed {difference.recomputed}"


def _standing(signer: SignerStatus) -> str:
    if not signer.intact:
        return "not asked, because the signature is broken"
    return "on the trust list" if signer.trusted else "NOT on the trust list"


def _yes(answer: bool) -> str:
    return "yes" if answer else "NO"
