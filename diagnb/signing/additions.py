"""What was added to a file after its first signature, in words: which page, and what kind of thing. For people only:
whether an addition is permitted is decided elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from diagnb.signing.reading import entry, open_pdf

_KINDS = {
    "/Text": "a note",
    "/FreeText": "a typed text",
    "/Highlight": "a highlight",
    "/Underline": "an underline",
    "/StrikeOut": "a strike-out",
    "/Squiggly": "an underline",
    "/Ink": "a drawing by hand",
    "/Stamp": "a stamp",
    "/Square": "a rectangle",
    "/Circle": "an ellipse",
    "/Line": "a line",
    "/Polygon": "a polygon",
    "/PolyLine": "a line",
    "/Caret": "an insertion mark",
    "/Link": "a link",
    "/FileAttachment": "an attached file",
    "/Redact": "a blackening",
    "/Widget": "a form field",
    "/Popup": "",
}
_MOST_PAGES = 500
_MOST_SAID = 20
_MOST_DEPTH = 20


def what_was_added(before: bytes, after: bytes) -> tuple[str, ...]:
    """What the pages of ``after`` hold that those of ``before`` did not, such as ``page 2: a note``.

    Empty when nothing of the kind is found, or when one of the two can't be read. Never raises for their content.
    """
    try:
        old, new = (list(pages_of(open_pdf(pdf))) for pdf in (before, after))
        said = list(_compared(old, new))
    except Exception:  # noqa: BLE001 - hostile bytes may break the parser in any way; then nothing is said
        return ()
    return tuple(dict.fromkeys(said))[:_MOST_SAID]


def _compared(old: list[Any], new: list[Any]) -> Iterator[str]:
    if len(old) != len(new):
        yield f"{len(new)} pages instead of {len(old)}"
    for number, (page, earlier) in enumerate(zip(new, old, strict=False), 1):
        known = {_mark(each) for each in _annotations(earlier)}
        for each in _annotations(page):
            kind = _KINDS.get(str(entry(each, "/Subtype")), "an annotation")
            if kind and _mark(each) not in known:
                yield f"page {number}: {kind}"
        if _contents(page) != _contents(earlier):
            yield f"page {number}: other page content"


def pages_of(reader: Any) -> Iterator[Any]:
    """The pages in their order, no more than a report could have."""
    waiting = [(reader.root["/Pages"], 0)]
    count = 0
    while waiting and count < _MOST_PAGES:
        node, depth = waiting.pop()
        if str(entry(node, "/Type")) == "/Page":
            count += 1
            yield node
        elif depth < _MOST_DEPTH:
            kids = entry(node, "/Kids", ())
            waiting += [(kids[i], depth + 1) for i in reversed(range(min(len(kids), _MOST_PAGES)))]


def _annotations(page: Any) -> list[Any]:
    listed = entry(page, "/Annots", ())
    return [listed[index] for index in range(min(len(listed), _MOST_PAGES))]


def _mark(annotation: Any) -> tuple[str, str, str]:
    """What tells two annotations of a page apart; a field that was signed keeps it."""
    place = entry(annotation, "/Rect", ())
    where = " ".join(str(place[index]) for index in range(min(len(place), 4)))
    return str(entry(annotation, "/Subtype")), where, str(entry(annotation, "/T", ""))


def _contents(page: Any) -> bytes:
    found = entry(page, "/Contents")
    if found is None:
        return b""
    listed = not hasattr(type(found), "data")
    parts = [found[index] for index in range(min(len(found), _MOST_PAGES))] if listed else [found]
    try:
        return b"\n".join(bytes(part.data) for part in parts)
    except Exception:  # noqa: BLE001 - a stream that can't be read any more is other content too
        return b"unreadable"
