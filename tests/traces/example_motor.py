"""The invented trace behind tests/data/records/trace-motor-inrush.json, and the record made from it.

Run as a program it writes the record again: python tests/traces/example_motor.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from diagnb.meters import load_meter
from diagnb.traces import (
    OpeningLine,
    attachment_from_trace,
    column_accuracy,
    cranking_minimum,
    inrush_against_window,
    inrush_peak,
    opening_table,
    read_trace,
    reading_from_feature,
    running_value,
)

RECORD = Path(__file__).resolve().parents[1] / "data" / "records" / "trace-motor-inrush.json"
FILE = "lift-gate-motor.csv"
DESCRIPTION: dict[str, Any] = {
    "schema": "diagnb-trace/1",
    "columns": [
        {"column": "Channel A", "name": "motor current", "unit": "mV", "adapter": "10 mV/A", "gives": "A",
         "function": "dc current", "range": "200.0 A"},
        {"column": "Channel B", "name": "motor voltage", "unit": "V", "function": "dc voltage", "range": "40.00 V"},
    ],
}  # fmt: skip
BREAKER = opening_table(
    lines=[
        OpeningLine(1.1, 60.0, None),
        OpeningLine(1.35, 2.0, 5.0),
        OpeningLine(2.0, 0.6, 3.0),
        OpeningLine(3.0, 0.2, 1.5),
        OpeningLine(4.0, 0.12, 1.0),
        OpeningLine(6.0, 0.08, 0.6),
        OpeningLine(12.0, 0.03, 0.3),
    ],
    source="curve of an invented circuit breaker",
)


def csv() -> bytes:
    """Six seconds of a motor that is switched on at 0.1 s, as a spreadsheet of a German-speaking shop has it."""
    time = np.arange(0, 6, 0.001)
    since = np.clip(time - 0.1, 0, None)
    on = time >= 0.1
    wave = 0.5 * np.sin(2 * np.pi * 61.3 * time) + 0.3 * np.sin(2 * np.pi * 211.7 * time + 1)
    current = on * ((31.4 + 178.0 * np.exp(-since / 0.09)) * (1 - np.exp(-since / 0.004)) + wave)
    voltage = 25.9 - 0.0205 * current + 0.01 * np.sin(2 * np.pi * 97.1 * time)
    rows = [
        f"{1e3 * t:.0f};{round(10 * i):.0f};{v:.2f}".replace(".", ",")
        for t, i, v in zip(time, current, voltage, strict=True)
    ]
    head = ["Recorder export (invented);;", "Time (ms);Channel A (mV);Channel B (V)"]
    return ("\r\n".join([*head, *rows]) + "\r\n").encode("latin-1")


def plain() -> dict[str, Any]:
    """The record in its plain form."""
    data = csv()
    trace = read_trace(data, DESCRIPTION, name=FILE)
    sheet = load_meter("recorder-12bit").sheet
    current, voltage = trace.column("motor current"), trace.column("motor voltage")
    of_current = column_accuracy(current, sheet, ambient_degc=21)
    of_voltage = column_accuracy(voltage, sheet, ambient_degc=21)
    peak = inrush_peak(time=trace.time, values=current.values, accuracy=of_current, window=(0.0, 1.0))
    running = running_value(time=trace.time, values=current.values, accuracy=of_current, window=(3.0, 6.0))
    lowest = cranking_minimum(time=trace.time, values=voltage.values, accuracy=of_voltage, window=(0.0, 1.0))
    checks = {
        rated: inrush_against_window(
            time=trace.time, values=current.values, accuracy=of_current, rated_current=rated, table=BREAKER
        )
        for rated in (20.0, 40.0)
    }
    took = {"trace": trace, "sheet": sheet, "instrument": "S1", "attachment": FILE}
    readings = [
        reading_from_feature(feature=peak, column="motor current", name="peak_reading", from_point="motor lead",
                             load_state="switch-on", **took),
        reading_from_feature(feature=running, column="motor current", name="running_reading", from_point="motor lead",
                             load_state="running", **took),
        reading_from_feature(feature=lowest, column="motor voltage", name="voltage_at_peak", from_point="motor +",
                             to_point="motor -", load_state="switch-on", **took),
    ]  # fmt: skip
    return {
        "schema": "diagnb-record/1", "id": "EXAMPLE-TRACE", "revision": 1, "created": "2026-03-18T10:05:00+01:00",
        "demonstration": True,
        "order": {"number": "RO-51029", "opened": "2026-03-18T08:10:00+01:00", "site": "Depot South, bay 2 (invented)",
                  "customer": "Haulage fleet (invented)"},
        "vehicle": {"vin": "1D9TRKB49SA000314", "unit": "Unit 314", "description": "24 V vehicle (invented)",
                    "model_year": 2025, "odometer": {"value": "45431", "unit": "km"}, "in_service": "2025-05-12",
                    "system_voltage": "24"},
        "complaint": "Lift gate: the circuit breaker opens after some seconds; the gate runs when the breaker of the spare circuit, set higher, is used.",
        "cause": "A breaker of 20 A was fitted in place of the one of 40 A that the body maker's diagram (invented) asks for.",
        "correction": "Breaker of 40 A fitted after the wire was checked against the diagram.",
        "circuit": {"name": "lift-gate motor", "class": "ordinary"},
        "people": [{"id": "tech", "name": "R. Example", "role": "technician", "qualification": "vehicle electrician (invented)"}],
        "instruments": [{"id": "S1", "meter": "recorder-12bit", "serial": "RC-00009", "calibrated": "2025-11-10",
                         "due": "2026-11-09", "certificate": "CAL-25-3007 (invented)"}],
        "conditions": {"ambient_degc": "21"},
        "tests": [{
            "id": "1", "procedure": "motor-inrush", "phase": "as found", "time": "2026-03-18T08:40:00+01:00", "by": "tech",
            "readings": readings,
            "conditions_met": ["recorder with 1,000 samples a second or more",
                               "motor standing still before it is switched on, its usual load on it",
                               "voltage at the motor taken at the peak"],
        }],
        "parts": [
            {"action": "removed", "number": "CB-20-24 (invented)", "description": "circuit breaker 20 A", "causal": True, "kept_at": "claims shelf"},
            {"action": "installed", "number": "CB-40-24 (invented)", "description": "circuit breaker 40 A"},
        ],
        "findings": [{"text": " ".join(_said(check) for check in checks.values()), "tests": ["1"]}],
        "attachments": [attachment_from_trace(data=data, name=FILE, shows="current and voltage of the motor at switch-on (invented)")],
    }  # fmt: skip


def _said(check: Any) -> str:
    low, high = check.lasted_between
    return (
        f"A breaker of {check.rated_current:.0f} A {check.outcome}: at {check.multiple:.2f} times its current the motor "
        f"stayed for {low:.2f} s to {high:.2f} s; there the curve gives {check.shortest:g} s to {check.longest:g} s."
    )


if __name__ == "__main__":
    RECORD.write_text(json.dumps(plain(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
