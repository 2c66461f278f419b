"""Vehicle identification number: check digit and model-year code (49 CFR 565.15, ISO 3779)."""

from __future__ import annotations

from diagnb.record.document import VIN_PATTERN

_VALUES = dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10), *range(10)), strict=True)
)
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"


def check_digit(vin: str) -> str:
    """The check digit that a VIN of 17 characters should carry in position nine (49 CFR 565.15(c))."""
    total = sum(_VALUES[c] * w for c, w in zip(vin, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def vin_remark(vin: str) -> str | None:
    """What is wrong with a VIN, or None. Outside North America the check digit is optional, so this only warns."""
    if not VIN_PATTERN.fullmatch(vin):
        wrong = ", ".join(dict.fromkeys(c for c in vin if not VIN_PATTERN.fullmatch(c * 17)))
        found = f" and has {wrong}" if wrong else ""
        return f"is not 17 characters of A-Z and 0-9 without I, O and Q: it has {len(vin)}{found}"
    if vin[8] != check_digit(vin):
        return f"has the check digit {vin[8]}, but its characters give {check_digit(vin)}"
    return None


def model_years(code: str) -> tuple[int, int]:
    """The two model years of a code letter or digit, 30 years apart: A is 1980 or 2010."""
    index = _YEAR_CODES.index(code)
    return 1980 + index, 2010 + index
