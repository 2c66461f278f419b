"""An estimate: a value and where its uncertainty comes from.

Uncertainty is kept by source. Two estimates share an error when they carry a source of the same name;
nobody types a correlation coefficient for that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np

from diagnb.errors import Fault, InputFault, fault
from diagnb.uncertainty.shape import Shape

Distribution = Literal["normal", "rectangular", "triangular", "arcsine", "t"]
Value = Any
"""A float, or a numpy array of one value per test."""
Pair = tuple[str, str]
_ROOT_THREE = math.sqrt(3)
COMMON = "taken as fully common"


@dataclass(frozen=True, slots=True)
class Component:
    """What one source contributes: sensitivity times standard uncertainty, signed, in the unit of the result.

    ``group`` names influences that may be common to an extent that nobody has stated (the gain part of one
    range of one meter). ``indications`` says which displayed readings the component belongs to. ``limit`` names
    the accuracy limit that gain and offset are both part of.
    """

    source: str
    contribution: Value
    degrees_of_freedom: Value = math.inf
    distribution: Distribution = "normal"
    group: str = ""
    indications: frozenset[str] = frozenset()
    limit: str = ""

    def times(self, slope: Value) -> Component:
        """The same source seen through a sensitivity."""
        return Component(
            self.source,
            slope * self.contribution,
            self.degrees_of_freedom,
            self.distribution,
            self.group,
            self.indications,
            self.limit,
        )


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One row of an uncertainty budget; ``share`` is the part of the variance, from 0 to 1."""

    source: str
    contribution: Value
    share: Value
    degrees_of_freedom: Value
    distribution: Distribution
    assumption: str = ""

    def with_share(self, share: Value) -> BudgetRow:
        """The same row with its share."""
        return BudgetRow(
            self.source, self.contribution, share, self.degrees_of_freedom, self.distribution, self.assumption
        )


@dataclass(frozen=True, slots=True)
class Expanded:
    """Expanded uncertainty of an estimate at a stated coverage probability (JCGM 100, 6.2)."""

    coverage: float
    coverage_factor: Value
    expanded_uncertainty: Value
    interval: tuple[Value, Value]


class Estimate:
    """A value with its standard uncertainty, degrees of freedom and components by source.

    ``Estimate(12.6, 0.05)`` is one normal source; ``Estimate.of(value, components)`` carries several.
    ``value`` and every contribution may be an array of one shape, one element per test.

    Raises :class:`~diagnb.errors.InputFault` on a negative or undefined uncertainty, degrees of freedom
    not above zero, or an unknown distribution.
    """

    __slots__ = ("_known", "components", "correlations", "value")

    value: Value
    components: tuple[Component, ...]
    correlations: Mapping[Pair, float]
    _known: dict[str, Any]

    def __init__(
        self,
        value: Value,
        standard_uncertainty: Value,
        degrees_of_freedom: Value = math.inf,
        source: str = "",
        distribution: Distribution = "normal",
    ) -> None:
        faults = []
        if not np.all(np.isfinite(value)):
            faults.append(Fault(source or "value", f"{value} is not a number"))
        if not np.all(np.isfinite(standard_uncertainty)) or np.any(np.less(standard_uncertainty, 0)):
            faults.append(Fault(source or "standard uncertainty", f"{standard_uncertainty} can't be an uncertainty"))
        if np.any(np.isnan(degrees_of_freedom)) or np.any(np.less_equal(degrees_of_freedom, 0)):
            faults.append(Fault(source or "degrees of freedom", f"{degrees_of_freedom} must be above zero"))
        if distribution not in get_args(Distribution):
            faults.append(
                Fault(
                    source or "distribution",
                    f"{distribution!r} is unknown",
                    f"one of {', '.join(get_args(Distribution))}",
                )
            )
        if faults:
            raise InputFault(faults)
        part = Component(source, standard_uncertainty, degrees_of_freedom, distribution)
        self._hold(value, (part,), {})

    @classmethod
    def of(
        cls, value: Value, components: Iterable[Component], correlations: Mapping[Pair, float] | None = None
    ) -> Estimate:
        """An estimate from its components; correlation coefficients are between named sources."""
        made = cls.__new__(cls)
        made._hold(value, tuple(components), dict(correlations or {}))
        return made

    def _hold(self, value: Value, components: tuple[Component, ...], correlations: Mapping[Pair, float]) -> None:
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "components", components)
        object.__setattr__(self, "correlations", correlations)
        object.__setattr__(self, "_known", {})

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"an Estimate is frozen; {name} can't be set")

    def __reduce__(self) -> tuple[Any, ...]:
        return Estimate.of, (self.value, self.components, dict(self.correlations))

    def named(self, source: str) -> Estimate:
        """The same estimate, its nameless source named ``source``."""
        if all(c.source for c in self.components):
            return self
        return Estimate.of(
            self.value, (c if c.source else replace(c, source=source) for c in self.components), self.correlations
        )

    def _once(self, name: str, compute: Callable[[], Any]) -> Any:
        if name not in self._known:
            self._known[name] = compute()
        return self._known[name]

    @property
    def parts(self) -> tuple[BudgetRow, ...]:
        """The components made independent: groups and lone indications resolved. See :func:`resolve`."""
        parts: tuple[BudgetRow, ...] = self._once("parts", lambda: resolve(self.components))
        return parts

    @property
    def variance(self) -> Value:
        """Square of the combined standard uncertainty, correlations included (JCGM 100, 5.2.2)."""
        return self._once("variance", self._variance)

    def _variance(self) -> Value:
        total: Value = 0.0
        for part in self.parts:
            total = total + part.contribution * part.contribution
        if self.correlations:
            by_name = {part.source: part.contribution for part in self.parts}
            for (a, b), r in self.correlations.items():
                if a in by_name and b in by_name:
                    total = total + 2 * r * by_name[a] * by_name[b]
            return np.maximum(total, 0.0) if isinstance(total, np.ndarray) else max(total, 0.0)
        return total

    @property
    def standard_uncertainty(self) -> Value:
        """Combined standard uncertainty u."""
        variance = self.variance
        return np.sqrt(variance) if isinstance(variance, np.ndarray) else math.sqrt(variance)

    @property
    def degrees_of_freedom(self) -> Value:
        """Effective degrees of freedom, Welch-Satterthwaite over independent sources (JCGM 100, G.4.1).

        Sources tied by a stated correlation were observed together and count as one (Willink), with the
        smallest degrees of freedom among them. Not rounded; rounded down where a coverage factor is taken.
        """
        return self._once("degrees of freedom", self._degrees_of_freedom)

    def _degrees_of_freedom(self) -> Value:
        if all(isinstance(p.degrees_of_freedom, float) and math.isinf(p.degrees_of_freedom) for p in self.parts):
            return math.inf
        if not self.correlations and not isinstance(self.variance, np.ndarray):
            fourths = sum(p.contribution**4 / p.degrees_of_freedom for p in self.parts)
            return float(self.variance**2 / fourths) if fourths else math.inf
        tied = blocks([p.source for p in self.parts], self.correlations)
        denominator: Value = 0.0
        for block in tied:
            members = [p for p in self.parts if p.source in block]
            nu = members[0].degrees_of_freedom
            for member in members[1:]:
                nu = np.minimum(nu, member.degrees_of_freedom)
            inside = Estimate.of(0.0, (Component(m.source, m.contribution) for m in members), self.correlations)
            denominator = denominator + inside.variance**2 / nu
        with np.errstate(divide="ignore", invalid="ignore"):
            quotient = np.divide(self.variance**2, denominator)
        return _plain(np.where(np.equal(denominator, 0), math.inf, quotient))

    @property
    def shape(self) -> Shape:
        """The distribution of the error: its two largest rectangles, the rest as normal, and ν."""
        shape: Shape = self._once("shape", self._shape)
        return shape

    def _shape(self) -> Shape:
        tied = {name for pair in self.correlations for name in pair}
        boxes = [
            abs(p.contribution) * _ROOT_THREE
            for p in self.parts
            if p.distribution == "rectangular" and p.source not in tied
        ]
        return Shape.from_parts(boxes, self.variance, self.degrees_of_freedom)

    def expanded(self, coverage: float = 0.95) -> Expanded:
        """Expanded uncertainty at ``coverage``, the coverage factor taken from the shape (JCGM 100, G)."""
        if not 0 < coverage < 1:
            raise fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %")
        half = self.shape.quantile((1 + coverage) / 2)
        u = self.standard_uncertainty
        factor: Value
        if isinstance(half, np.ndarray):
            with np.errstate(divide="ignore", invalid="ignore"):
                factor = np.where(np.equal(u, 0), 0.0, np.divide(half, u))
        else:
            factor = half / u if u else 0.0
        return Expanded(coverage, factor, half, (self.value - half, self.value + half))

    def budget(self) -> tuple[BudgetRow, ...]:
        """Budget rows, the largest share first."""
        total = self.variance
        if not isinstance(total, np.ndarray):
            squares = [p.contribution * p.contribution for p in self.parts]
            shares = [float(s / total) if total else 0.0 for s in squares]
            scalars = [p.with_share(share) for p, share in zip(self.parts, shares, strict=True)]
            return tuple(sorted(scalars, key=lambda row: -row.share))
        with np.errstate(divide="ignore", invalid="ignore"):
            rows = [
                p.with_share(np.where(np.equal(total, 0), 0.0, np.divide(np.square(p.contribution), total)))
                for p in self.parts
            ]
        return tuple(sorted(rows, key=lambda row: -float(np.max(row.share))))

    def __repr__(self) -> str:
        return f"Estimate({self.value!r}, {self.standard_uncertainty!r})"


def _plain(array: Value) -> Value:
    return float(array) if np.ndim(array) == 0 else array


def blocks(names: list[str], correlations: Mapping[Pair, float]) -> list[set[str]]:
    """Names in groups that stated correlations tie together; a name without any stands alone."""
    found = [{name} for name in dict.fromkeys(names)]
    for a, b in correlations:
        touched = [block for block in found if a in block or b in block]
        if len(touched) == 2:
            found = [block for block in found if block not in touched] + [touched[0] | touched[1]]
    return found


def merge(components: Iterable[Component]) -> tuple[Component, ...]:
    """Sum the contributions of components of one source: one influence acts once, with its total sensitivity."""
    merged: dict[str, Component] = {}
    for c in components:
        known = merged.get(c.source)
        merged[c.source] = c if known is None else _sum(known, c)
    return tuple(merged.values())


def _sum(a: Component, b: Component) -> Component:
    return Component(
        a.source,
        a.contribution + b.contribution,
        a.degrees_of_freedom,
        a.distribution,
        a.group,
        a.indications | b.indications,
        a.limit,
    )


def resolve(components: Iterable[Component]) -> tuple[BudgetRow, ...]:
    """Independent parts of a result.

    * A reading that shares nothing with another carries its accuracy limit as one rectangle: the half-widths
      of its gain, offset and quantisation add (JCGM 100, 4.3.7).
    * A group whose common share nobody stated is taken at the end of the correlation range, independent or
      fully common, that makes the uncertainty larger. The variance is linear in the correlation, so one of the
      two ends is the worst case. At the common end the readings share their whole limit: the offset of the same
      range adds to the gain, as it does for a reading alone.
    """
    pool = list(merge(components))
    groups: dict[str, list[Component]] = {}
    for c in pool:
        if c.group:
            groups.setdefault(c.group, []).append(c)
    shared = {i for c in pool if len(c.indications) > 1 for i in c.indications}
    shared |= {i for members in groups.values() if len(members) > 1 for m in members for i in m.indications}
    together = {members[0].limit for members in groups.values() if len(members) > 1 and members[0].limit}
    offsets = {c.limit: c for c in pool if c.limit in together and not c.group and len(c.indications) > 1}
    lone: dict[str, list[Component]] = {}
    rows: list[BudgetRow] = []
    for c in pool:
        if len(c.indications) == 1 and not c.indications & shared:
            lone.setdefault(next(iter(c.indications)), []).append(c)
    done_groups: set[str] = set()
    done_lone: set[str] = set()
    for c in pool:
        indication = next(iter(c.indications), "")
        if len(c.indications) == 1 and indication in lone:
            if indication not in done_lone:
                done_lone.add(indication)
                whole = sum(abs(m.contribution) for m in lone[indication])
                rows.append(_row(f"{indication}: accuracy", whole, c, "rectangular", "whole limit as one rectangle"))
        elif c.group and len(groups[c.group]) > 1:
            if c.group not in done_groups:
                done_groups.add(c.group)
                rows.extend(_worst_end(c.group, groups[c.group], offsets.get(c.limit)))
        elif c.limit and c.limit in offsets and not c.group:
            continue
        else:
            rows.append(_row(c.source, c.contribution, c, c.distribution))
    return tuple(rows)


def _row(name: str, contribution: Value, like: Component, distribution: Distribution, note: str = "") -> BudgetRow:
    return BudgetRow(name, contribution, 0.0, like.degrees_of_freedom, distribution, note)


def _worst_end(group: str, members: list[Component], offset: Component | None) -> Iterable[BudgetRow]:
    gain = sum(m.contribution for m in members)
    apart = sum(m.contribution**2 for m in members)
    beside: Value = 0.0 if offset is None else offset.contribution
    whole = abs(gain) + abs(beside)
    common = np.greater(whole**2, apart + beside**2)
    if np.all(common):
        yield _row(group, whole, members[0], members[0].distribution, COMMON)
        return
    mixed = bool(np.any(common))
    note = "the larger of common and independent, test by test" if mixed else "taken as independent"
    for number, m in enumerate(members):
        shown = np.where(common, whole if number == 0 else 0.0, m.contribution) if mixed else m.contribution
        yield _row(m.source, shown, m, m.distribution, note)
    if offset is not None:
        yield _row(offset.source, np.where(common, 0.0, beside) if mixed else beside, offset, offset.distribution)


def type_a(values: Iterable[float], *, source: str = "") -> Estimate:
    """Mean of repeated readings with s/√n and n-1 degrees of freedom (JCGM 100, 4.2; two-pass sums).

    ``values``: n >= 2 numbers in one unit. Raises :class:`~diagnb.errors.InputFault` on fewer.
    """
    data = np.asarray(list(values) if not isinstance(values, np.ndarray) else values, dtype=float)
    if data.ndim != 1 or data.size < 2:
        raise fault(source or "repeats", "an evaluation of type A needs two readings or more", "repeat the reading")
    mean = float(data[0] + np.mean(data - data[0]))
    deviations = data - mean
    # The second sum corrects the rounding of the mean (two-pass with correction, Chan, Golub and LeVeque).
    squares = float(np.sum(deviations**2)) - float(np.sum(deviations)) ** 2 / data.size
    u = math.sqrt(max(squares, 0.0) / (data.size - 1) / data.size)
    return Estimate(mean, u, data.size - 1, source, "t")
