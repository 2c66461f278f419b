"""How many of a thing, in English: one is one."""

from __future__ import annotations


def counted(count: float, one: str, many: str = "") -> str:
    """``1 defect``, ``3 defects``, ``1,204 defects``; ``many`` where it is not ``one`` with an s."""
    return f"{count:,.0f} {one if count == 1 else many or one + 's'}"
