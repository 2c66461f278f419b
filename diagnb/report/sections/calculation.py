"""How the numbers came about: formulas, uncertainty budgets, limits, advice, and everything to be wary of."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.conformity import Advice
from diagnb.evaluation import Result
from diagnb.evaluation.evaluate import SEED, TRIALS
from diagnb.quantities.rounding import significant
from diagnb.report.blocks import Align, Block, Cell, CellLike, Heading, Paragraph, Table
from diagnb.report.sections.matter import NB, Matter, Scale, givens_assumed
from diagnb.report.sections.sources import assumption_in_words, source_in_words

_LEAST_SHARE = 0.005


def derived(matter: Matter) -> list[Block]:
    """Every derived value with its formula, coverage factor and degrees of freedom."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for test, results in matter.pairs():
        for result in results.results:
            rows.append(
                (
                    Cell(result.title, detail=f"{wording.say('label.test-short')}{NB}{test.id} · {result.name}"),
                    Cell(result.formula, mono=True),
                    _value(matter, result),
                    matter.number(result.coverage_factor),
                    _whole(matter, result.degrees_of_freedom),
                    _method(matter, result),
                )
            )
    if not rows:
        return []
    kept, left = matter.rows(rows)
    notes = [wording.say("text.derived-note")]
    if any(r.method == "monte-carlo" for t in matter.evaluation.tests for r in t.results):
        notes.append(wording.say("text.mean-of-trials"))
        notes.append(wording.say("text.seed", method=wording.say("method.monte-carlo"), trials=TRIALS, seed=SEED))
    head = tuple(wording.say(f"label.{k}") for k in ("result", "formula", "value", "coverage-factor", "dof", "method"))
    align: tuple[Align, ...] = ("left", "left", "left", "right", "right", "left")
    return [
        Heading(2, wording.say("section.derived")),
        Table(head, kept, (28, 27, 21, 6, 9, 24), align, (*notes, *left)),
    ]


def _value(matter: Matter, result: Result) -> CellLike:
    """Value and U; where trials gave them also the interval itself, which need not lie evenly about the value."""
    said = matter.value(result)
    if result.method != "monte-carlo" or result.interval is None or result.value is None:
        return said
    scale = matter.scale(result)
    low, high = (matter.number(scale.of(end)) for end in result.interval)
    return Cell(said, detail=f"[{low}, {high}]{'' if scale.unit in ('', '1') else f'{NB}{scale.unit}'}")


def _method(matter: Matter, result: Result) -> CellLike:
    """The method, whether Monte Carlo confirmed it, and why Monte Carlo was run at all."""
    wording = matter.wording
    if result.value is None:
        return wording.reason(result.reason)
    named = wording.say(f"method.{result.method}")
    if not result.triggers:
        return named
    why = [wording.say(key) if wording.has(key := f"trigger.{code}") else code for code in result.triggers]
    confirmed = wording.say("text.linear-validated" if result.method == "linear" else "text.monte-carlo-taken")
    return Cell(named, detail=f"{confirmed}; {wording.say('text.triggers', list=wording.listing(why))}")


def budget(matter: Matter) -> list[Block]:
    """The sources of uncertainty of every judged result, the largest first."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for test, results in matter.pairs():
        for result in results.results:
            if result.limit is not None and result.budget:
                rows.extend(_budget_rows(matter, test.id, result))
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{k}") for k in ("result", "source", "contribution", "share", "note"))
    least = f"{wording.number(significant(_LEAST_SHARE * 100, 1))} %"
    return [
        Heading(2, wording.say("section.budget")),
        Table(
            head,
            kept,
            (29, 36, 16, 10, 24),
            ("left", "left", "right", "right", "left"),
            (wording.say("text.budget-note", least=least), *left),
        ),
    ]


def _budget_rows(matter: Matter, test: str, result: Result) -> list[tuple[CellLike, ...]]:
    wording = matter.wording
    scale = matter.scale(result)
    unit = "" if scale.unit == "1" else f"{NB}{scale.unit}"
    title = matter.title(test, result.title)
    large = [row for row in result.budget if float(row.share) >= _LEAST_SHARE][:10]
    rows: list[tuple[CellLike, ...]] = []
    for row in large:
        rows.append(
            (
                Cell("" if rows else title, strong=True),
                source_in_words(wording, row.source),
                f"{matter.number(scale.of(abs(float(row.contribution))), 2)}{unit}",
                _share(matter, float(row.share)),
                assumption_in_words(wording, row.assumption),
            )
        )
    rest = result.budget[len(large) :]
    if rest:
        together = sum(float(row.contribution) ** 2 for row in rest) ** 0.5
        share = sum(float(row.share) for row in rest)
        said = wording.say("text.other-sources")
        rows.append(
            ("" if rows else title, said, f"{matter.number(scale.of(together), 2)}{unit}", _share(matter, share), "")
        )
    return rows


def limits(matter: Matter) -> list[Block]:
    """Every limit that was used, once, with its source, edition, method, condition and provenance."""
    wording = matter.wording
    seen: dict[tuple[CellLike, ...], None] = {}
    for _, results in matter.pairs():
        for result in results.results:
            limit = result.limit
            if limit is None:
                continue
            tag = "user" if limit.stated_by == "user" else limit.tag.replace(" ", "-")
            said = wording.say(f"tag.{tag}") if wording.has(f"tag.{tag}") else limit.tag
            row = (
                Cell(result.title, strong=True),
                matter.limit(limit),
                matter.limit_source(limit),
                matter.short("; ".join(p for p in (limit.method, limit.condition) if p), 300),
                said,
                wording.say(f"rule.{result.verdict.rule}"),
            )
            seen.setdefault(row)
    if not seen:
        return []
    kept, left = matter.rows(list(seen))
    head = tuple(wording.say(f"label.{k}") for k in ("result", "limit", "source", "condition", "tag", "rule"))
    return [
        Heading(2, wording.say("section.limits")),
        Table(head, kept, (20, 13, 29, 26, 14, 16), (), (wording.say("text.rule-note"), *left)),
    ]


def advice(matter: Matter) -> list[Block]:
    """What would settle each verdict that is not settled."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for test, results in matter.pairs():
        for result in results.results:
            if not (result.to_judge or results.missing):
                continue
            title = matter.title(test.id, result.title)
            for index, item in enumerate(settling(result)):
                rows.append(("" if index else title, advice_sentence(matter, item, matter.scale(result))))
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = (wording.say("label.result"), wording.say("section.advice"))
    return [Heading(2, wording.say("section.advice")), Table(head, kept, (30, 85), (), left)]


def settling(result: Result) -> tuple[Advice, ...]:
    """What decides, where something does; otherwise everything that at least moves the verdict."""
    moving = [item for item in result.advice if item.words.get("then") != result.verdict.verdict]
    return tuple([item for item in moving if item.settles] or moving)


def advice_sentence(matter: Matter, item: Advice, scale: Scale) -> str:
    """One piece of advice in words; a code without a sentence is shown as it is."""
    wording = matter.wording
    symbol = "" if scale.unit == "1" else f"{NB}{scale.unit}"
    key = f"advice.{item.code}"
    if not wording.has(key):
        return wording.say("advice.other", code=item.code)
    values: dict[str, str] = {}
    numbers: Mapping[str, float] = item.numbers
    for name, value in numbers.items():
        if name.startswith("u_"):
            values[name] = f"{matter.number(scale.of(value), 2)}{symbol}"
        elif name == "share":
            values[name] = _share(matter, value)
        else:
            values[name] = matter.number(value, 2)
    for name, word in item.words.items():
        verdict = f"verdict.{word.replace(' ', '-')}"
        if name == "source":
            values[name] = source_in_words(wording, word)
        else:
            values[name] = wording.say(verdict) if name == "then" and wording.has(verdict) else word
    try:
        return wording.say(key, **values)
    except KeyError:
        return wording.say("advice.other", code=item.code)


def remarks(matter: Matter) -> list[Block]:
    """Deviations, values not judged with the reason, generic defaults used, assumptions made."""
    wording = matter.wording
    lines: list[str] = []
    defaults: dict[str, list[str]] = {"defaults-used": [], "read-limits-used": []}
    assumed: list[str] = []
    for test, results in matter.pairs():
        label = wording.say("label.test")
        if test.deviations.strip():
            lines.append(wording.say("text.deviation", test=f"{label} {test.id}", text=matter.short(test.deviations)))
        for result in results.results:
            named = {"test": f"{label} {test.id}", "result": result.title}
            if result.verdict.verdict == "not judged" and (result.to_judge or results.missing):
                reason = wording.reason(result.reason) + (f" ({result.detail})" if result.detail else "")
                lines.append(wording.say("text.not-judged-line", **named, reason=reason))
            if result.limit is not None and result.limit.stated_by == "procedure":
                sort = "read-limits-used" if result.limit.tag == "read" else "defaults-used"
                defaults[sort].append(matter.title(test.id, result.title))
        for reading in results.readings:
            for assumption in reading.reading.assumptions:
                key = f"assumption.{assumption}"
                text = wording.say(key) if wording.has(key) else assumption
                lines.append(wording.say("text.assumed", test=f"{label} {test.id}", result=reading.title, text=text))
        assumed += [matter.title(test.id, given.title) for given in givens_assumed(matter, test, results)]
    for sort, named_limits in defaults.items():
        if named_limits:
            lines.append(matter.short(wording.say(f"text.{sort}", list="; ".join(named_limits))))
    if assumed:
        lines.append(matter.short(wording.say("text.givens-assumed", list="; ".join(assumed))))
    blocks: list[Block] = [Heading(2, wording.say("section.remarks"))]
    if not lines:
        return [*blocks, Paragraph(wording.say("text.nothing-remarked"))]
    kept, left = lines[:200], len(lines) - 200
    blocks += [Paragraph(f"– {line}") for line in kept]
    if left > 0:
        blocks.append(Paragraph(wording.say("page.rows-left-out", count=left), small=True))
    return blocks


def _share(matter: Matter, share: float) -> str:
    if 0 < share < 0.0005:
        return f"< {matter.wording.number('0.1')}{NB}%"
    return f"{matter.wording.number(f'{share * 100:.1f}')}{NB}%"


def _whole(matter: Matter, degrees: float | None) -> str:
    if degrees is None:
        return "–"
    return matter.number(degrees) if degrees == float("inf") else str(int(degrees)) if degrees < 1000 else "≥ 1000"
