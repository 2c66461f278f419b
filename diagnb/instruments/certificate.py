"""A calibration certificate in the open Digital Calibration Certificate XML, where it can be read without guessing.

Read are the certificate's identifier and dates, the item's serial number, and every list that states nominal (or
reference) values together with errors and their expanded uncertainty, all marked by the format's own reference
types. What is not marked so is listed as passed over, never interpreted.
"""

from __future__ import annotations

import datetime as dt
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from dataclasses import dataclass

from diagnb.errors import InputFault, fault
from diagnb.quantities import Unit, unit

DCC = "{https://ptb.de/dcc}"
SI = "{https://ptb.de/si}"
MOST_BYTES = 16 * 2**20
_AT = ("basic_nominalValue", "basic_referenceValue")
_ERROR = "basic_measurementError"
_SYMBOLS = {
    "volt": "V", "ampere": "A", "ohm": "Ω", "hertz": "Hz", "kelvin": "K", "degreecelsius": "°C", "second": "s", "watt": "W",
}  # fmt: skip
_PREFIXES = {"micro": "µ", "milli": "m", "kilo": "k", "mega": "M"}


@dataclass(frozen=True, slots=True)
class CertifiedPoint:
    """One point: nominal value, error, expanded uncertainty, all in the list's ``unit``, and k."""

    nominal: str
    error: str
    expanded_uncertainty: str
    coverage_factor: str


@dataclass(frozen=True, slots=True)
class CertifiedList:
    """One list of points as the certificate names it."""

    name: str
    unit: str
    points: tuple[CertifiedPoint, ...]


@dataclass(frozen=True, slots=True)
class Certificate:
    """What was read, and the names of the lists that were passed over."""

    identifier: str
    performed: dt.date
    serials: tuple[str, ...]
    lists: tuple[CertifiedList, ...]
    passed_over: tuple[str, ...]


def read_certificate(data: bytes) -> Certificate:
    """A certificate from the bytes of its XML file.

    Its signature, if any, is not checked here. Raises :class:`~diagnb.errors.InputFault` when the file is too
    large, declares a document type, is not XML, or is not a certificate of this format.
    """
    if len(data) > MOST_BYTES:
        raise fault("certificate", "is larger than 16 MiB")
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise fault("certificate", "declares a document type", "such files are not read")
    try:
        root = ElementTree.fromstring(data)  # noqa: S314 - bounded, and document types were refused
    except (ElementTree.ParseError, ValueError, RecursionError) as error:
        raise fault("certificate", f"is not XML: {error}") from error
    if root.tag != f"{DCC}digitalCalibrationCertificate":
        raise fault("certificate", "is not a Digital Calibration Certificate", f"its root element is {root.tag[:80]}")
    core = root.find(f"{DCC}administrativeData/{DCC}coreData")
    if core is None:
        raise fault("certificate", "has no core data")
    identifier = (core.findtext(f"{DCC}uniqueIdentifier") or "").strip()
    if not identifier:
        raise fault("certificate.coreData.uniqueIdentifier", "is missing")
    try:
        performed = dt.date.fromisoformat((core.findtext(f"{DCC}endPerformanceDate") or "").strip())
    except ValueError as error:
        raise fault("certificate.coreData.endPerformanceDate", "is not a date") from error
    lists: list[CertifiedList] = []
    over: list[str] = []
    for entry in root.iter(f"{DCC}list"):
        name = _name(entry)
        try:
            found = _points(entry)
        except InputFault as error:
            over.append(f"{name}: {error.faults[0]}")
            continue
        if found is None:
            over.append(f"{name}: holds no errors with nominal values")
        else:
            lists.append(CertifiedList(name, *found))
    return Certificate(identifier, performed, tuple(_serials(root)), tuple(lists), tuple(over))


def _serials(root: ElementTree.Element) -> Iterator[str]:
    for item in root.iter(f"{DCC}identification"):
        kind = (item.get("refType") or "").lower()
        described = " ".join(t.text or "" for t in item.iter(f"{DCC}content")).lower()
        if "serial" in kind or "serial" in described:
            value = (item.findtext(f"{DCC}value") or "").strip()
            if value:
                yield value


def _name(entry: ElementTree.Element) -> str:
    return (entry.findtext(f"{DCC}name/{DCC}content") or "list without a name").strip()


def _points(entry: ElementTree.Element) -> tuple[str, tuple[CertifiedPoint, ...]] | None:
    at = error = None
    for quantity in entry.findall(f"{DCC}quantity"):
        kinds = (quantity.get("refType") or "").split()
        if any(kind in _AT for kind in kinds):
            at = quantity
        elif _ERROR in kinds:
            error = quantity
    if at is None or error is None:
        return None
    nominal, nominal_unit = _values(at)
    errors, error_unit = _values(error)
    widths, factors = _uncertainties(error, len(errors))
    if len(nominal) != len(errors):
        raise fault("list", f"has {len(nominal)} nominal values but {len(errors)} errors")
    if nominal_unit.dimension != error_unit.dimension:
        raise fault("list", "states nominal values and errors in different dimensions")
    scale = error_unit.factor / nominal_unit.factor
    points = [
        CertifiedPoint(n, _scaled(e, scale), _scaled(w, scale), k)
        for n, e, w, k in zip(nominal, errors, widths, factors, strict=True)
    ]
    points.sort(key=lambda p: float(p.nominal))
    return nominal_unit.symbol, tuple(points)


def _scaled(text: str, scale: float) -> str:
    return text if scale == 1 else f"{float(text) * scale:.12f}".rstrip("0").rstrip(".")


def _values(quantity: ElementTree.Element) -> tuple[list[str], Unit]:
    many = quantity.find(f"{SI}realListXMLList")
    if many is not None:
        texts = (many.findtext(f"{SI}valueXMLList") or "").split()
        symbols = (many.findtext(f"{SI}unitXMLList") or "").split()
    else:
        reals = quantity.findall(f"{SI}real")
        texts = [(r.findtext(f"{SI}value") or "").strip() for r in reals]
        symbols = [(r.findtext(f"{SI}unit") or "").strip() for r in reals]
    if not texts or len(set(symbols)) != 1:
        raise fault("list", "does not state all its values in one unit")
    return [_decimal(t) for t in texts], _unit(symbols[0])


def _uncertainties(quantity: ElementTree.Element, count: int) -> tuple[list[str], list[str]]:
    many = quantity.find(f"{SI}realListXMLList")
    if many is not None:
        place = many.find(f"{SI}expandedUncXMLList")
        if place is None:
            place = many.find(f"{SI}measurementUncertaintyUnivariateXMLList/{SI}expandedMUXMLList")
        if place is None:
            raise fault("list", "states no expanded uncertainty")
        widths = (
            place.findtext(f"{SI}uncertaintyXMLList") or place.findtext(f"{SI}valueExpandedMUXMLList") or ""
        ).split()
        factors = (place.findtext(f"{SI}coverageFactorXMLList") or "").split()
    else:
        widths, factors = [], []
        for real in quantity.findall(f"{SI}real"):
            place = real.find(f"{SI}expandedUnc")
            if place is None:
                place = real.find(f"{SI}measurementUncertaintyUnivariate/{SI}expandedMU")
            if place is None:
                raise fault("list", "states no expanded uncertainty")
            widths.append((place.findtext(f"{SI}uncertainty") or place.findtext(f"{SI}valueExpandedMU") or "").strip())
            factors.append((place.findtext(f"{SI}coverageFactor") or "").strip())
    widths = widths * count if len(widths) == 1 else widths
    factors = factors * count if len(factors) == 1 else factors
    if len(widths) != count or len(factors) != count:
        raise fault("list", "does not state uncertainty and coverage factor for every point")
    return [_decimal(t) for t in widths], [_decimal(t) for t in factors]


def _decimal(text: str) -> str:
    """A number as a plain decimal text, digits kept. Raises InputFault."""
    from decimal import Decimal, InvalidOperation

    try:
        number = Decimal(text)
    except InvalidOperation as error:
        raise fault("list", f"{text[:40]!r} is not a number") from error
    if not number.is_finite() or abs(number) > Decimal("1e12"):
        raise fault("list", f"{text[:40]!r} is not a usable number")
    return f"{number:f}"


def _unit(text: str) -> Unit:
    """A unit in the notation of the format: ``\\milli\\volt``, ``\\ohm``."""
    steps = [step for step in text.strip().split("\\") if step]
    prefix = ""
    if len(steps) == 2 and steps[0] in _PREFIXES:
        prefix, steps = _PREFIXES[steps[0]], steps[1:]
    if len(steps) != 1 or steps[0] not in _SYMBOLS:
        raise fault(
            "list",
            f"is in {text!r}, which is not read",
            "volt, ampere, ohm, hertz, kelvin, degreecelsius, second, watt",
        )
    return unit(prefix + _SYMBOLS[steps[0]])
