"""How a figure came into this package."""

from __future__ import annotations

from typing import Literal

Provenance = Literal["read", "from memory", "common practice", "definition"]
"""``read``: seen in public text; ``from memory``: check it against a bought or official copy before it decides
anything; ``common practice``: no standard behind it, the vehicle maker's figure replaces it."""
