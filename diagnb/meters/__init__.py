"""Meters: accuracy sheets, and from a display to an estimate."""

from diagnb.meters.reading import Meter, MeterReading, choose_range, load_meter
from diagnb.meters.sheet import AccuracySheet, Function, Range, load_sheet, read_sheet, sheet_files

__all__ = [
    "AccuracySheet",
    "Function",
    "Meter",
    "MeterReading",
    "Range",
    "choose_range",
    "load_meter",
    "load_sheet",
    "read_sheet",
    "sheet_files",
]
