"""Meters: accuracy sheets, and from a display to an estimate."""

from diagnb.meters.certificate import CalibrationPoint, RangeCalibration
from diagnb.meters.oddities import oddities
from diagnb.meters.reading import Meter, MeterReading, choose_range, load_meter, repeats
from diagnb.meters.sheet import AccuracySheet, Function, Range, load_sheet, read_sheet, sheet_files

__all__ = [
    "AccuracySheet",
    "CalibrationPoint",
    "Function",
    "Meter",
    "MeterReading",
    "Range",
    "RangeCalibration",
    "choose_range",
    "load_meter",
    "load_sheet",
    "oddities",
    "read_sheet",
    "repeats",
    "sheet_files",
]
