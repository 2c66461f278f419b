"""Which classes of the package have a rich display. They are named, not imported, so that loading stays light."""

from __future__ import annotations

from typing import Any

DISPLAYED = {
    ("diagnb.record.document", "Record"): "record",
    ("diagnb.evaluation.results", "Evaluation"): "evaluation",
    ("diagnb.evaluation.results", "TestResult"): "test_result",
    ("diagnb.evaluation.results", "Result"): "result",
    ("diagnb.conformity.verdict", "Verdict"): "verdict",
    ("diagnb.proof.verification", "Verification"): "verification",
    ("diagnb.notebook.remarks", "Remarks"): "remarks",
    ("diagnb.procedures.procedure", "Procedure"): "procedure",
    ("diagnb.meters.sheet", "AccuracySheet"): "meter",
    ("diagnb.impact.answer", "Impact"): "impact",
}
"""(module, class) → the function of :mod:`diagnb.notebook.display` that shows it."""

FORMATS = ("text/plain", "text/markdown", "text/html", "text/latex")


def register(ipython: Any) -> None:
    """Show these classes richly in this session."""
    formatters = ipython.display_formatter.formatters
    for (module, name), shown in DISPLAYED.items():
        for mime in FORMATS[1:]:
            formatters[mime].for_type_by_name(module, name, _showing(shown, mime))
        formatters["text/plain"].for_type_by_name(module, name, _printing(shown))


def unregister(ipython: Any) -> None:
    """Back to the plain display."""
    formatters = ipython.display_formatter.formatters
    for module, name in DISPLAYED:
        for mime in FORMATS:
            formatters[mime].deferred_printers.pop((module, name), None)
            for kind in [k for k in formatters[mime].type_printers if (k.__module__, k.__name__) == (module, name)]:
                formatters[mime].type_printers.pop(kind)


def _showing(shown: str, mime: str) -> Any:
    def show(value: Any) -> str:
        from diagnb.notebook import display

        return display.bundle(shown, value)[mime]

    return show


def _printing(shown: str) -> Any:
    def write(value: Any, printer: Any, cycle: bool) -> None:
        from diagnb.notebook import display

        printer.text("…" if cycle else display.bundle(shown, value)["text/plain"])

    return write
