"""Circuit tests on 12, 24 and 48 V vehicles, from a typed reading to a report that proves itself."""

__version__ = "0.1.0"
