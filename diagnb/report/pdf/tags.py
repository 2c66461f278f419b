"""The structure tree: what each marked piece of a page is, in reading order (ISO 32000-1, 14.7 and 14.8)."""

from __future__ import annotations

from dataclasses import dataclass, field

from diagnb.report.pdf.direction import runs_to_the_left, unmarked
from diagnb.report.pdf.objects import Document, Raw, reference, text_string


@dataclass(eq=False, slots=True)
class Element:
    """One node of the tree. `kids` holds elements, marked content (page, mcid) and widgets (page, object).

    `said` are its lines in reading order, as drawn so far.
    """

    tag: str
    parent: Element | None = None
    scope: str = ""
    alt: str = ""
    box: tuple[float, float, float, float] | None = None
    kids: list[Element] = field(default_factory=list)
    marked: list[tuple[int, int]] = field(default_factory=list)
    widgets: list[tuple[int, int]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def child(self, tag: str, *, scope: str = "", alt: str = "") -> Element:
        element = Element(tag, self, scope, alt)
        self.kids.append(element)
        return element


def write_tree(
    document: Document, root: Element, *, pages: list[int], owners: list[list[Element]], widgets: list[Element]
) -> int:
    """Write the tree under `root` and its parent tree; returns the object number of the tree's root.

    `pages` are object numbers; `owners[p][mcid]` is the element of a marked piece of page p, whose
    StructParents is p; `widgets[i]` owns the annotation whose StructParent is len(pages) + i.
    """
    everything: list[Element] = []
    waiting = [root]
    while waiting:
        element = waiting.pop()
        everything.append(element)
        waiting.extend(reversed(element.kids))
    objects = {id(element): Raw() for element in everything}
    numbers = {key: document.add(raw) for key, raw in objects.items()}
    top, parents = Raw(), Raw()
    top_number, parents_number = document.add(top), document.add(parents)
    for element in everything:
        above = top_number if element.parent is None else numbers[id(element.parent)]
        objects[id(element)].content = _element(element, above, numbers, pages)
    leaves = [b"[" + b" ".join(reference(numbers[id(e)]) for e in page) + b"]" for page in owners]
    leaves += [reference(numbers[id(e)]) for e in widgets]
    listed = b" ".join(b"%d %s" % (index, leaf) for index, leaf in enumerate(leaves))
    parents.content = b"<</Nums [" + listed + b"]>>"
    top.content = b"<</Type /StructTreeRoot /K [%s] /ParentTree %s /ParentTreeNextKey %d>>" % (
        reference(numbers[id(root)]),
        reference(parents_number),
        len(leaves),
    )
    return top_number


def _element(element: Element, above: int, numbers: dict[int, int], pages: list[int]) -> bytes:
    parts = [b"<</Type /StructElem /S /%s /P %s" % (element.tag.encode(), reference(above))]
    if element.alt:
        parts.append(b"/Alt " + text_string(element.alt))
    if any(map(runs_to_the_left, element.said)):
        # glyphs stand from left to right on the page; this is the order in which they are read
        parts.append(b"/ActualText " + text_string(" ".join(map(unmarked, element.said))))
    if element.scope:
        parts.append(b"/A <</O /Table /Scope /%s>>" % element.scope.encode())
    if element.box is not None:
        corners = " ".join(f"{value:.2f}" for value in element.box)
        parts.append(b"/A <</O /Layout /Placement /Block /BBox [%s]>>" % corners.encode())
    own = {page for page, _ in element.marked} | {page for page, _ in element.widgets}
    home = min(own) if own else None
    if home is not None:
        parts.append(b"/Pg " + reference(pages[home]))
    kids = [
        b"%d" % mcid if page == home else b"<</Type /MCR /Pg %s /MCID %d>>" % (reference(pages[page]), mcid)
        for page, mcid in element.marked
    ]
    kids += [
        b"<</Type /OBJR /Pg %s /Obj %s>>" % (reference(pages[page]), reference(number))
        for page, number in element.widgets
    ]
    kids += [reference(numbers[id(kid)]) for kid in element.kids]
    if kids:
        parts.append(b"/K " + (kids[0] if len(kids) == 1 else b"[" + b" ".join(kids) + b"]"))
    return b" ".join(parts) + b">>"
