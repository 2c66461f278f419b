"""A QR code as runs of black modules."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=64)
def qr_runs(text: str) -> tuple[tuple[tuple[int, int, int], ...], int]:
    """(column, row, length) of every black run, and the modules of a side. Error correction M, ISO/IEC 18004."""
    import segno

    # a fixed mask costs a fifth of the search for the best one, and any mask is legible
    rows = segno.make(text, error="m", micro=False, boost_error=False, mask=2).matrix
    runs = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            start = x
            while x < len(row) and row[x]:
                x += 1
            if x > start:
                runs.append((start, y, x - start))
            x += 1
    return tuple(runs), len(rows)
