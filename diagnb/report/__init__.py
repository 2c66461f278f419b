"""The report: record and evaluation into page-free blocks, blocks into a PDF that proves itself.

Importing this room is light; what draws is loaded when a report is rendered.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.report.options import Options, read_options
    from diagnb.report.photos import photo_attachment, prepare_photo, prepare_photos
    from diagnb.report.report import render_report, render_with

__all__ = [
    "Options",
    "photo_attachment",
    "prepare_photo",
    "prepare_photos",
    "read_options",
    "render_report",
    "render_with",
]


def __getattr__(name: str) -> Any:
    if name in ("render_report", "render_with"):
        from diagnb.report import report

        return getattr(report, name)
    if name in ("photo_attachment", "prepare_photo", "prepare_photos"):
        from diagnb.report import photos

        return getattr(photos, name)
    if name in ("Options", "read_options"):
        from diagnb.report import options

        return getattr(options, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
