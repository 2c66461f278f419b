"""Lines, tables and pictures written as text, Markdown, HTML and LaTeX.

The HTML stands in a reopened, untrusted notebook: inline styles only, pictures as images with alt text, every
text escaped. Text and LaTeX say the same.
"""

from __future__ import annotations

import html
import re
from dataclasses import dataclass

from diagnb.notebook.present import data_address
from diagnb.report.charts import Picture

Cells = tuple[str, ...]
_BORDERS = {"pass": "3px solid", "conditional pass": "3px dashed", "conditional fail": "3px dashed", "fail": "5px double", "not judged": "3px dotted"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    head: Cells
    rows: tuple[Cells, ...]
    verdict_column: int | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A description of one thing: title, lines, tables, pictures."""

    title: str
    lines: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()


def as_text(shown: Shown) -> str:
    """Plain text with aligned columns."""
    lines = [shown.title, *(f"  {line}" for line in shown.lines)]
    for table in shown.tables:
        grid = [table.head, *table.rows]
        widths = [max(len(row[i]) for row in grid) for i in range(len(table.head))]
        lines += [
            "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in grid
        ]
    return "\n".join(lines)


def as_markdown(shown: Shown) -> str:
    """Markdown with pipe tables."""
    parts = [f"**{_markdown(shown.title)}**", *(_markdown(line) for line in shown.lines)]
    for table in shown.tables:
        rows = [table.head, tuple("---" for _ in table.head), *(tuple(map(_markdown, row)) for row in table.rows)]
        parts.append("\n".join("| " + " | ".join(row) + " |" for row in rows))
    return "\n\n".join(parts)


def _markdown(text: str) -> str:
    flat = " ".join(text.split())
    return html.escape(re.sub(r"([\\`*_{}\[\]#|~$])", r"\\\1", flat), quote=False)


def as_html(shown: Shown) -> str:
    """HTML with inline styles and pictures as images."""
    parts = [f'<div style="font-weight:bold;font-size:1.15em;margin-bottom:4px">{html.escape(shown.title)}</div>']
    parts += [f'<div style="white-space:pre-wrap">{html.escape(line)}</div>' for line in shown.lines]
    for table in shown.tables:
        head = "".join(
            f'<th scope="col" style="text-align:left;padding:4px 10px">{html.escape(c)}</th>' for c in table.head
        )
        body = "".join(f"<tr>{_html_cells(row, table.verdict_column)}</tr>" for row in table.rows)
        parts.append(
            f'<table style="border-collapse:collapse;margin:6px 0"><thead><tr style="border-bottom:2px solid">{head}</tr></thead><tbody>{body}</tbody></table>'
        )
    parts += [
        f'<img alt="{html.escape(p.alt, quote=True)}" src="{data_address(p)}" style="display:block;width:100%;max-width:560px;margin:4px 0">'
        for p in shown.pictures
    ]
    return f'<div style="line-height:1.4">{"".join(parts)}</div>'


def _html_cells(row: Cells, verdict_column: int | None) -> str:
    cells = []
    for index, cell in enumerate(row):
        text = html.escape(cell)
        if index == verdict_column:
            word = cell.partition(" ")[2]
            text = f'<span style="border:{_BORDERS.get(word, "0")};padding:1px 8px;font-weight:bold;white-space:nowrap">{text}</span>'
        cells.append(f'<td style="text-align:left;padding:5px 10px;vertical-align:top">{text}</td>')
    return "".join(cells)


def as_latex(shown: Shown) -> str:
    """LaTeX for nbconvert: a bold title, lines, tables; pictures as their sentences."""
    parts = [rf"\textbf{{{_latex(shown.title)}}}", *(_latex(line) for line in shown.lines)]
    for table in shown.tables:
        columns = "l" * len(table.head)
        rows = [r" & ".join(map(_latex, row)) + r" \\" for row in (table.head, *table.rows)]
        parts.append("\n".join([rf"\begin{{tabular}}{{{columns}}}", rows[0], r"\hline", *rows[1:], r"\end{tabular}"]))
    parts += [_latex(picture.alt) for picture in shown.pictures]
    return "\n\n".join(parts)


_LATEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "±": r"\(\pm\)", "≤": r"\(\leq\)", "≥": r"\(\geq\)",
    "Ω": r"\(\Omega\)", "µ": r"\(\mu\)", "°": r"\(^{\circ}\)", "✓": r"\(\surd\)", "✗": r"\(\times\)", "–": "--", "−": r"\(-\)",
}  # fmt: skip


def _latex(text: str) -> str:
    return "".join(_LATEX.get(c, c if c.isprintable() else " ") for c in " ".join(text.split()))
