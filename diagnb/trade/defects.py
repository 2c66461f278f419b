"""Defects of an engine family: how many with the same emission-related fault call for action."""

from __future__ import annotations

from typing import Literal

from diagnb.trade.arguments import Given, Number, plain, read
from diagnb.trade.tables import find_table


def defect_threshold(*, family_size: Number, action: Literal["investigate", "report"]) -> Number:
    """0.10 · N (``investigate``) or 0.02 · N (``report``) of a family of N engines; more than that calls for it.

    ``family_size`` any shape: 500 to 50,000 to investigate, 1,000 to 50,000 to report; returns engines.
    Raises InputFault outside, where the rule has other figures.
    Source: 40 CFR 1068.501(e)(1)(ii) and (f)(1)(ii), 2005 edition (read): read the current one before acting on it.
    """
    table = find_table("emission-defects")
    share, smallest, largest = (table.pick(c, action, "1") for c in ("share", "smallest_family", "largest_family"))
    (n,) = read(Given("family_size", family_size, "engines", float(smallest), float(largest), repair="the rule has other figures there"))  # fmt: skip
    return plain(share * n)
