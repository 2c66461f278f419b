"""Whether two files draw the same pages though their bytes differ: everything that a page shows, compression apart.

Two sets of libraries pack one drawing differently. What is compared is what a viewer draws from: page boxes, decoded
content, fonts with their outlines and widths, pictures, the look of every field.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from diagnb.signing.additions import pages_of
from diagnb.signing.reading import entry, open_pdf

_UNSEEN = frozenset({"/Length", "/Filter", "/DecodeParms", "/Parent", "/P", "/StructParent", "/StructParents"})
"""Keys that pack a thing or point back from it, and draw nothing."""
_OF_A_SIGNATURE = frozenset({"/V", "/Lock", "/SV"})
_MOST_NODES = 400_000
_MOST_ABOVE = 20


def unlike_pages(ours: bytes, theirs: bytes) -> tuple[str, ...]:
    """Where the pages of two files differ, such as ``page 2: content``, ``page 4: picture``; empty when all are alike.

    Raises nothing for the content of the files: one that can't be read is unlike.
    """
    try:
        old, new = (list(pages_of(open_pdf(pdf))) for pdf in (ours, theirs))
        if len(old) != len(new):
            return (f"{len(new)} pages instead of {len(old)}",)
        compared = _Compared()
        found = [
            f"page {n}: {what}"
            for n, (a, b) in enumerate(zip(old, new, strict=True), 1)
            for what in compared.page(a, b)
        ]
    except Exception:  # noqa: BLE001 - hostile bytes may break the parser in any way
        return ("a page can't be read",)
    return tuple(found)


def _content(stream: Any) -> bytes:
    """What is packed in a stream; a photo as it stands, with the filter that says how, since nothing here unpacks it."""
    filters = str(entry(stream, "/Filter", ""))
    return filters.encode() + bytes(stream.encoded_data) if "/DCTDecode" in filters else bytes(stream.data)


def _inherited(page: Any) -> dict[Any, Any]:
    """What the nodes above a page hand down to it: a box or a rotation there crops or turns what is seen."""
    found: dict[Any, Any] = {}
    node = entry(page, "/Parent")
    for _ in range(_MOST_ABOVE):
        if node is None:
            return found
        found = {k: node.raw_get(k) for k in node if k not in ("/Type", "/Kids", "/Count", "/Parent")} | found
        node = entry(node, "/Parent")
    raise ValueError("nested too deeply")


class _Compared:
    """Pairs of objects that were found alike, so that a font on nine pages is compared once."""

    def __init__(self) -> None:
        self.known: dict[tuple[int, int], tuple[Any, Any]] = {}
        self.nodes = 0

    def page(self, a: Any, b: Any) -> Iterator[str]:
        if not self.alike(entry(a, "/Contents"), entry(b, "/Contents")):
            yield "content"
        mine, other = (entry(page, "/Resources", {}) for page in (a, b))
        for key in sorted({*map(str, mine), *map(str, other)}):
            if not self.alike(entry(mine, key), entry(other, key)):
                yield "picture" if key == "/XObject" else "font" if key == "/Font" else "resources"
        rest = (
            {k: page.raw_get(k) for k in page if k not in (*_UNSEEN, "/Contents", "/Resources", "/Annots")}
            for page in (a, b)
        )
        above = (_inherited(page) for page in (a, b))
        if not self.same_entries(*rest) or not self.same_entries(*above):
            yield "page box"
        fields = [entry(page, "/Annots", ()) for page in (a, b)]
        if len(fields[0]) != len(fields[1]) or not all(
            self.alike(x, y, skip=_OF_A_SIGNATURE) for x, y in zip(*(list(f) for f in fields), strict=True)
        ):
            yield "field"

    def alike(self, a: Any, b: Any, *, skip: frozenset[str] = frozenset()) -> bool:
        a, b = (each.get_object() if hasattr(each, "get_object") else each for each in (a, b))
        if (id(a), id(b)) in self.known:
            return True
        self.nodes += 1
        if self.nodes > _MOST_NODES or type(a).__name__ != type(b).__name__:
            return False
        if hasattr(a, "raw_get"):
            # held, so that no other object gets the same id while this lasts; a circle counts as alike on the way
            self.known[id(a), id(b)] = (a, b)
            same = self._inside(a, b, skip)
            if not same:
                del self.known[id(a), id(b)]
            return same
        return bool(a == b)

    def _inside(self, a: Any, b: Any, skip: frozenset[str]) -> bool:
        if not hasattr(a, "keys"):
            return len(a) == len(b) and all(self.alike(a.raw_get(i), b.raw_get(i)) for i in range(len(a)))
        hidden = _UNSEEN | skip
        if hasattr(type(a), "data") and _content(a) != _content(b):
            return False
        return self.same_entries(*({k: each.raw_get(k) for k in each if k not in hidden} for each in (a, b)))

    def same_entries(self, a: dict[Any, Any], b: dict[Any, Any]) -> bool:
        return set(a) == set(b) and all(self.alike(a[key], b[key]) for key in a)
