"""A certificate in the open XML format; its contents are invented, its structure is that of schema version 3."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb.errors import InputFault
from diagnb.instruments import read_certificate
from diagnb.meters import CalibrationPoint, Meter, RangeCalibration, load_sheet, sheet_files

CERTIFICATE = """<?xml version="1.0" encoding="UTF-8"?>
<dcc:digitalCalibrationCertificate xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si" schemaVersion="3.1.2">
 <dcc:administrativeData>
  <dcc:coreData>
   <dcc:countryCodeISO3166_1>XX</dcc:countryCodeISO3166_1>
   <dcc:uniqueIdentifier>CAL-25-2210 (invented)</dcc:uniqueIdentifier>
   <dcc:beginPerformanceDate>2025-09-17</dcc:beginPerformanceDate>
   <dcc:endPerformanceDate>2025-09-18</dcc:endPerformanceDate>
  </dcc:coreData>
  <dcc:items><dcc:item><dcc:identifications>
   <dcc:identification refType="basic_serialNumber"><dcc:issuer>manufacturer</dcc:issuer><dcc:value>H6-00417</dcc:value></dcc:identification>
  </dcc:identifications></dcc:item></dcc:items>
 </dcc:administrativeData>
 <dcc:measurementResults><dcc:measurementResult><dcc:results><dcc:result><dcc:data>
  <dcc:list><dcc:name><dcc:content lang="en">DC voltage, range 60 V</dcc:content></dcc:name>
   <dcc:quantity refType="basic_nominalValue"><si:realListXMLList>
     <si:valueXMLList>6.00 30.00 54.00</si:valueXMLList><si:unitXMLList>\\volt</si:unitXMLList></si:realListXMLList></dcc:quantity>
   <dcc:quantity refType="basic_measurementError"><si:realListXMLList>
     <si:valueXMLList>2 -10 -20</si:valueXMLList><si:unitXMLList>\\milli\\volt</si:unitXMLList>
     <si:expandedUncXMLList><si:uncertaintyXMLList>6 8 12</si:uncertaintyXMLList>
      <si:coverageFactorXMLList>2</si:coverageFactorXMLList><si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList>
     </si:expandedUncXMLList></si:realListXMLList></dcc:quantity>
  </dcc:list>
  <dcc:list><dcc:name><dcc:content lang="en">As found, readings only</dcc:content></dcc:name>
   <dcc:quantity refType="basic_measuredValue"><si:realListXMLList>
     <si:valueXMLList>6.00 30.00</si:valueXMLList><si:unitXMLList>\\volt</si:unitXMLList></si:realListXMLList></dcc:quantity>
  </dcc:list>
 </dcc:data></dcc:result></dcc:results></dcc:measurementResult></dcc:measurementResults>
</dcc:digitalCalibrationCertificate>"""


def test_marked_points_are_read_and_the_rest_is_said_to_be_passed_over() -> None:
    found = read_certificate(CERTIFICATE.encode())
    assert (found.identifier, found.performed.isoformat(), found.serials) == (
        "CAL-25-2210 (invented)", "2025-09-18", ("H6-00417",),
    )  # fmt: skip
    (points,) = found.lists
    assert points.unit == "V"
    assert [(p.nominal, p.error, p.expanded_uncertainty, p.coverage_factor) for p in points.points] == [
        ("6.00", "0.002", "0.006", "2"), ("30.00", "-0.01", "0.008", "2"), ("54.00", "-0.02", "0.012", "2"),
    ]  # fmt: skip
    assert found.passed_over == ("As found, readings only: holds no errors with nominal values",)


def test_its_corrections_replace_the_accuracy_limit_and_are_not_added_to_it() -> None:
    (points,) = read_certificate(CERTIFICATE.encode()).lists
    entry = RangeCalibration(
        "dc voltage", 60.0,
        tuple(CalibrationPoint(float(p.nominal), float(p.error), float(p.expanded_uncertainty), float(p.coverage_factor)) for p in points.points),
        drift_half_width=0.01,
    )  # fmt: skip
    sheet = load_sheet(sheet_files()["handheld-6000"])
    plain = Meter(sheet).estimate("24.60 V", function="dc voltage", ambient_degc=23)
    known = Meter(sheet, "M1", (entry,)).estimate("24.60 V", function="dc voltage", ambient_degc=23)
    # Interpolated error at 24.60 V: 2 mV - 12 mV * 18.6 / 24 = -7.3 mV, so the value is corrected upwards.
    assert known.value == pytest.approx(24.6073)
    # U/k of the calibration, drift and half a step, in quadrature.
    assert known.standard_uncertainty == pytest.approx((0.004**2 + 0.01**2 / 3 + 0.005**2 / 3) ** 0.5)
    assert known.standard_uncertainty < plain.standard_uncertainty / 8
    outside = Meter(sheet, "M1", (entry,)).estimate("58.00 V", function="dc voltage", ambient_degc=23)
    assert outside.value == 58.0, "beyond the last point the accuracy limit holds, nothing is extrapolated"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("endPerformanceDate>2025-09-18", "endPerformanceDate>soon", "not a date"),
        ("digitalCalibrationCertificate", "somethingElse", "not a Digital Calibration Certificate"),
        ("<?xml", "<!DOCTYPE x [<!ENTITY a 'b'>]><?xml", "document type"),
        ("</dcc:data>", "", "not XML"),
    ],
)
def test_other_files_are_refused_with_a_reason(old: str, new: str, said: str) -> None:
    with pytest.raises(InputFault, match=said):
        read_certificate(CERTIFICATE.replace(old, new).encode())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("\\milli\\volt", "\\gram"),
        ("6 8 12", "6 8"),
        ("2 -10 -20", "2 x -20"),
        (">2</si:coverageFactorXMLList>", "></si:coverageFactorXMLList>"),
    ],
)
def test_a_list_that_would_need_guessing_is_passed_over(old: str, new: str) -> None:
    found = read_certificate(CERTIFICATE.replace(old, new).encode())
    assert found.lists == ()
    assert len(found.passed_over) == 2


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_anything_else_is_a_fault(data: bytes) -> None:
    with pytest.raises(InputFault):
        read_certificate(data)
