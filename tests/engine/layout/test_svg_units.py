"""The sheet's real size: units, view boxes, and drawings that state none."""

import pytest

from rillcast_service.engine.errors import LayoutInvalid, LayoutUnitsMissing

SQUARE = '<g id="channels"><rect x="10" y="10" width="10" height="10"/></g>'


def side_mm(layout):
    x_min, _, x_max, _ = layout.channel_layers[0].geometry.bounds
    return x_max - x_min


@pytest.mark.parametrize(
    ("sheet", "unit_mm"),
    [
        # Without a view box a user unit is a pixel, whatever unit the sheet's size is given in.
        ('width="76mm" height="26mm"', 25.4 / 96),
        ('width="300px" height="100px"', 25.4 / 96),
        ('width="76mm" height="26mm" viewBox="0 0 76 26"', 1.0),
        ('width="7.6cm" height="2.6cm" viewBox="0 0 76 26"', 1.0),
        ('width="3in" height="1in" viewBox="0 0 300 100"', 0.254),
        ('width="216pt" height="72pt" viewBox="0 0 300 100"', 0.254),
        ('width="18pc" height="6pc" viewBox="0 0 300 100"', 0.254),
        ('width="288px" height="96px" viewBox="0 0 300 100"', 0.254),
        ('width="304Q" height="104Q" viewBox="0 0 76 26"', 1.0),
        ('width="76000e-3mm" height="+26.mm" viewBox="0,0,76,26"', 1.0),
        # One side is enough with a view box, which has the shape of the sheet.
        ('width="76mm" viewBox="0 0 152 52"', 0.5),
        ('height="26mm" viewBox="0 0 152 52"', 0.5),
        ('width="76mm" height="auto" viewBox="0 0 152 52"', 0.5),
        # A size in a style goes before one in attributes, unless the viewer is to decide on it.
        ('style="width:76mm;height:26mm" width="9" viewBox="0 0 152 52"', 0.5),
        ('style="width:100%;height:auto" width="76mm" height="26mm" viewBox="0 0 152 52"', 0.5),
    ],
)
def test_real_units(read_svg, sheet, unit_mm):
    assert side_mm(read_svg(SQUARE, sheet=sheet)) == pytest.approx(10.0 * unit_mm, abs=2e-6)


@pytest.mark.parametrize(
    ("ratio", "bounds"),
    [
        # A view box of 100 × 100 on a sheet of 100 × 50 mm; the square covers 10..20 of it.
        ("", (30.0, 40.0, 35.0, 45.0)),
        ("xMidYMid meet", (30.0, 40.0, 35.0, 45.0)),
        ("xMinYMid meet", (5.0, 40.0, 10.0, 45.0)),
        ("xMaxYMax", (55.0, 40.0, 60.0, 45.0)),
        ("none", (10.0, 40.0, 20.0, 45.0)),
        ("xMidYMin slice", (10.0, 30.0, 20.0, 40.0)),
        ("xMidYMid slice", (10.0, 55.0, 20.0, 65.0)),
        ("xMidYMax slice", (10.0, 80.0, 20.0, 90.0)),
    ],
)
def test_preserve_aspect_ratio(read_svg, ratio, bounds):
    attribute = f'preserveAspectRatio="{ratio}"' if ratio else ""
    layout = read_svg(SQUARE, sheet=f'width="100mm" height="50mm" viewBox="0 0 100 100" {attribute}')
    assert layout.channel_layers[0].geometry.bounds == pytest.approx(bounds, abs=2e-6)


def test_the_view_box_may_begin_anywhere(read_svg):
    layout = read_svg(SQUARE, sheet='width="100mm" height="100mm" viewBox="-10 5 50 50"')
    # x: (10 + 10) · 2 from the left; y: 100 − (20 − 5) · 2 from below.
    assert layout.channel_layers[0].geometry.bounds == pytest.approx((40.0, 70.0, 60.0, 90.0), abs=2e-6)


@pytest.mark.parametrize(
    ("sheet", "sizes"),
    [
        ('width="76" height="26"', ("76 × 26 mm", "20.1 × 6.88 mm")),
        ('width="76" height="26" viewBox="0 0 152 52"', ("76 × 26 mm", "20.1 × 6.88 mm")),
        ('viewBox="0 0 76000 26000"', ("76 × 26 mm",)),
        ('width="100%" height="100%" viewBox="0 0 76 26"', ("76 × 26 mm", "20.1 × 6.88 mm")),
        ("", ("mm", "px", "um")),
        ('width="76mm"', ("mm", "px", "um")),
    ],
)
def test_a_drawing_without_unit_is_refused_with_the_likely_units(read_svg, refusal, sheet, sizes):
    fault = refusal(LayoutUnitsMissing, read_svg, SQUARE, sheet=sheet)
    assert all(size in fault.message for size in sizes)
    # A sheet of a few hundredths of a millimetre is no likely reading.
    assert "0.0" not in fault.message


@pytest.mark.parametrize(
    ("sheet", "unit", "expected_mm"),
    [
        ('viewBox="0 0 76 26"', "mm", 10.0),
        ('width="76" height="26"', "mm", 10.0),
        ('width="76" height="26" viewBox="0 0 152 52"', "mm", 5.0),
        ('viewBox="0 0 76000 26000"', "um", 0.01),
        ('viewBox="0 0 76000 26000"', "µm", 0.01),
        ('viewBox="0 0 30 20"', "cm", 100.0),
        # A pixel is no ruler's unit, so the request may say what it stands for.
        ('width="76px" height="26px"', "mm", 10.0),
        # A ruler's unit in the file goes first.
        ('width="76mm" height="26mm" viewBox="0 0 152 52"', "in", 5.0),
    ],
)
def test_the_request_may_give_the_unit(read_svg, sheet, unit, expected_mm):
    layout = read_svg(SQUARE, sheet=sheet, unit=unit)
    assert side_mm(layout) == pytest.approx(expected_mm, rel=1e-6)
    assert [assumption.what for assumption in layout.assumptions] == ["unit"]


def test_pixels_are_told_as_an_assumption(read_svg):
    layout = read_svg(SQUARE, sheet='width="96px" height="96px"')
    (assumption,) = layout.assumptions
    assert assumption.what == "unit"
    assert "1/96 in" in assumption.value
    assert "25.4 × 25.4 mm" in assumption.value
    assert "CSS Values and Units" in assumption.source


@pytest.mark.parametrize("dpi", [96, 90, 72])
@pytest.mark.parametrize(
    "sheet",
    [
        'width="960px" height="960px"',
        'width="960" height="960"',
        'viewBox="0 0 960 960"',
        'width="480px" height="480px" viewBox="0 0 480 480"',
        # A sheet in millimetres without a view box: its user unit is a pixel still.
        'width="300mm" height="300mm"',
    ],
)
def test_pixels_of_older_editors(read_svg, sheet, dpi):
    layout = read_svg(SQUARE, sheet=sheet, dpi=dpi)
    assert side_mm(layout) == pytest.approx(10.0 * 25.4 / dpi, abs=2e-6)
    (assumption,) = layout.assumptions
    assert assumption.what == "unit"
    assert f"1 px = 1/{dpi} in" in assumption.value


def test_units_within_the_drawing_follow_the_resolution(read_svg):
    body = '<g id="channels"><rect width="1in" height="2px"/><circle cx="5cm" cy="5cm" r="1mm"/></g>'
    layout = read_svg(body, sheet='width="900px" height="900px"', dpi=90)
    square, disc = sorted(layout.channel_layers[0].geometry.geoms, key=lambda part: part.bounds[0])
    assert square.bounds[2:] == pytest.approx((25.4, 254.0), abs=2e-6)
    assert square.area == pytest.approx(25.4 * 2.0 * 25.4 / 90, rel=1e-4)
    assert disc.centroid.x == pytest.approx(50.0, abs=1e-5)
    assert disc.bounds[2] - disc.bounds[0] == pytest.approx(2.0, abs=2e-3)


def test_a_unit_and_a_resolution_at_once(read_svg, refusal):
    sheet = 'width="300" height="300"'
    assert side_mm(read_svg(SQUARE, sheet=sheet, unit="px", dpi=72)) == pytest.approx(254.0 / 72, abs=2e-6)
    fault = refusal(LayoutInvalid, read_svg, SQUARE, sheet=sheet, unit="mm", dpi=72)
    assert fault.pointer == "#/dpi"


@pytest.mark.parametrize(
    ("sheet", "says"),
    [
        ('width="0mm" height="26mm"', "0mm"),
        ('width="-76mm" height="26mm"', "-76mm"),
        ('width="76furlong" height="26mm"', "furlong"),
        ('width="5em" height="26mm"', "5em"),
        ('width="1e999mm" height="26mm"', "not finite"),
        ('width="nanmm" height="26mm"', "nanmm"),
        ('width="76mm" height="26mm" viewBox="0 0 76"', "viewBox"),
        ('width="76mm" height="26mm" viewBox="0 0 0 26"', "viewBox"),
        ('width="76mm" height="26mm" viewBox="0 0 nan 26"', "viewBox"),
        (
            'width="76mm" height="26mm" viewBox="0 0 76 26" preserveAspectRatio="middle"',
            "preserveAspectRatio",
        ),
    ],
)
def test_a_size_that_cannot_be(read_svg, refusal, sheet, says):
    fault = refusal(LayoutInvalid, read_svg, SQUARE, sheet=sheet)
    assert says in fault.message
    assert fault.where == "<svg>"


def test_an_unknown_unit_of_the_request(read_svg, refusal):
    fault = refusal(LayoutInvalid, read_svg, SQUARE, sheet='viewBox="0 0 76 26"', unit="furlong")
    assert fault.pointer == "#/unit"
    assert "mm" in fault.remedy
