"""Instruments: a meter read over its interface, a calibration certificate read from its file."""

from diagnb.instruments.certificate import Certificate, read_certificate
from diagnb.instruments.scpi import WiredReading, read_meter

__all__ = ["Certificate", "WiredReading", "read_certificate", "read_meter"]
