"""Pressure and light that the use asks for."""

from dataclasses import replace

import pytest
from shapely import box

from rillcast_service.engine.result import Severity

BAR = box(5.0, 10.5, 65.0, 11.5)


def _used(job, **use):
    return replace(job, use=replace(job.use, **use))


def test_more_pressure_than_allowed_is_a_risk_with_the_flow_that_fits(chip, review_of, found):
    # a narrow channel: 0.5 mm wide, 200 µm deep, 60 mm long
    job = chip([box(5.0, 10.75, 65.0, 11.25)], depth_um=200)
    flow = job.use.flow_ul_per_min
    needed = review_of(job, "cast_printed_mould").fluidics.pressure_kpa
    tight = _used(job, max_pressure_kpa=needed / 4.0)
    (finding,) = found(review_of(tight, "cast_printed_mould"), "pressure_asked")
    assert finding.severity is Severity.RISK
    assert finding.measured == pytest.approx(needed, abs=5e-4)
    # laminar flow is proportional to pressure: a quarter of the pressure drives a quarter of the flow
    assert f"{flow / 4.0:.3g} µL/min" in finding.remedy
    loose = _used(job, max_pressure_kpa=needed * 1.01)
    assert found(review_of(loose, "cast_printed_mould"), "pressure_asked") == []


@pytest.mark.parametrize(
    ("resin", "optics", "severities"),
    [
        ("clear_standard", ("visible",), []),
        ("clear_standard", ("uv_fluorescence",), [Severity.BLOCKER]),
        ("grey_mould", ("visible", "uv_fluorescence"), [Severity.BLOCKER, Severity.BLOCKER]),
        ("grey_mould", (), []),
    ],
)
def test_light_through_a_printed_part(chip, review_of, found, resin, optics, severities):
    job = _used(chip([BAR], bench={"resin": resin}), optics=optics)
    findings = found(review_of(job, "printed_bonded_halves"), "light_path")
    assert [finding.severity for finding in findings] == severities


def test_a_cast_closed_with_glass_has_no_resin_in_its_light_path(chip, review_of, found):
    job = _used(chip([BAR]), optics=("uv_fluorescence",))
    assert found(review_of(job, "cast_printed_mould"), "light_path") == []
