"""The version of the package; written into evaluations and reports."""

VERSION = "0.1.0"
