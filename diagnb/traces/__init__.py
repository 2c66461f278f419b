"""Recorded traces: a CSV file of an oscilloscope or logger in, features with their uncertainty out."""

from diagnb.traces.capture import (
    attachment_from_trace,
    column_accuracy,
    reading_from_feature,
    same_file,
    sheet_function,
    window_of,
)
from diagnb.traces.description import ColumnSpec, Description, TimeAxis, load_description, read_description
from diagnb.traces.feature import REMARKS, Accuracy, Feature, Section, Source, accuracy_of, section
from diagnb.traces.file import SCHEMA, Column, Trace, load_trace, read_trace
from diagnb.traces.kinds import KINDS, FeatureKind, take_feature
from diagnb.traces.levels import cranking_minimum, inrush_peak, mean_current, running_value
from diagnb.traces.opening import OpeningCheck, OpeningLine, inrush_against_window, opening_table
from diagnb.traces.response import time_constant
from diagnb.traces.ripple import ripple_frequency, ripple_peak_to_peak, ripple_rms
from diagnb.traces.spells import Spell, cranking_duration, dips, longest_dip, time_below, wake_up_duty

__all__ = [
    "KINDS",
    "REMARKS",
    "SCHEMA",
    "Accuracy",
    "Column",
    "ColumnSpec",
    "Description",
    "Feature",
    "FeatureKind",
    "OpeningCheck",
    "OpeningLine",
    "Section",
    "Source",
    "Spell",
    "TimeAxis",
    "Trace",
    "accuracy_of",
    "attachment_from_trace",
    "column_accuracy",
    "cranking_duration",
    "cranking_minimum",
    "dips",
    "inrush_against_window",
    "inrush_peak",
    "load_description",
    "load_trace",
    "longest_dip",
    "mean_current",
    "opening_table",
    "read_description",
    "read_trace",
    "reading_from_feature",
    "ripple_frequency",
    "ripple_peak_to_peak",
    "ripple_rms",
    "running_value",
    "same_file",
    "section",
    "sheet_function",
    "take_feature",
    "time_below",
    "time_constant",
    "wake_up_duty",
    "window_of",
]
