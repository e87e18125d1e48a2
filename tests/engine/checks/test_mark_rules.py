"""Labels and codes: strokes, height, decoding, and which way round; the remedies do what they say."""

from dataclasses import replace

import pytest
from shapely import MultiPolygon, Polygon, box
from shapely.affinity import scale, translate

from rillcast_service.catalogue.types import Fact
from rillcast_service.engine.asmade.legibility import writing
from rillcast_service.engine.layout.model import Layer, Role
from rillcast_service.engine.result import Severity

ROUTES = ("cast_printed_mould", "cast_wafer_mould", "printed_bonded_halves", "printed_monolith")
CHANNEL = box(5.0, 10.5, 65.0, 11.5)


def _letter(kind: str, x: float, y: float, *, tall: float, stroke: float) -> Polygon:
    """An E, an L or a T of straight strokes, three fifths as wide as tall."""
    wide = 0.6 * tall
    parts = {
        "E": [box(0, 0, stroke, tall), *(box(0, at, wide, at + stroke) for at in (0, (tall - stroke) / 2))],
        "L": [box(0, 0, stroke, tall), box(0, 0, wide, stroke)],
        "T": [box((wide - stroke) / 2, 0, (wide + stroke) / 2, tall)],
    }[kind]
    if kind in "ET":
        parts.append(box(0, tall - stroke, wide, tall))
    letter = parts[0]
    for part in parts[1:]:
        letter = letter.union(part)
    return translate(letter, x, y)


def _word(text: str, *, tall: float, stroke: float, at=(10.0, 15.0)) -> MultiPolygon:
    step = 0.8 * tall
    return MultiPolygon(
        [
            _letter(kind, at[0] + index * step, at[1], tall=tall, stroke=stroke)
            for index, kind in enumerate(text)
        ]
    )


@pytest.fixture
def marked(chip):
    """`marked(shapes, side="lid")`: a chip of one channel with those marks."""

    def make(marks, *, side="lid", **job):
        made = chip([CHANNEL], depth_um=200.0, **job)
        layers = (*made.layout.layers, Layer("marks", Role.MARKS, marks, depth_um=150.0))
        return replace(
            made, layout=replace(made.layout, layers=layers), chip=replace(made.chip, viewed_from=side)
        )

    return make


@pytest.mark.parametrize(
    ("stroke_um", "severity"),
    # 35 µm pixels: 4 px = 140 µm; 6 px and the spread of the light bleed (2 × (70 − 25) µm) are 300 µm. Below
    # the best estimate a mark is lost, not the chip: a risk like the doubt above it.
    [(100, Severity.RISK), (250, Severity.RISK), (320, None)],
)
def test_strokes_are_held_to_pixels(marked, review_of, found, stroke_um, severity):
    job = marked(_word("TELL", tall=4.0, stroke=stroke_um / 1000.0))
    findings = found(review_of(job, "printed_bonded_halves"), "mark_stroke")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    for finding in findings:
        assert (finding.measured, finding.limit, finding.limit_high) == (stroke_um, 140.0, 300.0)
        assert finding.where.within(job.layout.mark_layers[0].geometry.buffer(1e-6))
        assert ("300 µm" if stroke_um == 250 else "140 µm") in finding.remedy


def test_spaces_between_strokes_count_and_the_place_is_the_space(marked, review_of, found):
    pair = MultiPolygon([box(10, 15, 12, 18), box(12.1, 15, 14, 18)])
    (finding,) = found(review_of(marked(pair), "printed_bonded_halves"), "mark_stroke")
    assert finding.measured == 100.0
    assert "space between strokes" in finding.message
    assert finding.where.within(box(11.9, 14.9, 12.2, 18.1))


def test_a_wafer_is_held_to_its_own_finest_line(marked, review_of, found, catalogue):
    least_um = catalogue.get("moulds", "wafer_film_mask").number("min_feature_um")
    assert least_um < 60.0
    for stroke_um, count in ((60.0, 1), (150.0, 0)):
        job = marked(_word("TELL", tall=4.0, stroke=stroke_um / 1000.0))
        assert len(found(review_of(job, "cast_wafer_mould"), "mark_stroke")) == count


@pytest.mark.parametrize(
    ("tall_mm", "target"),
    # 16 minutes of arc (ISO 9241-303): tan(16/60°) × 300 mm = 1.396 mm; 1.8 mm is the smallest of ISO 3098-1.
    # Seven strokes and spaces of 6 px and the spread of the bleed need 42 × 35 + 90 = 1560 µm at worst.
    [(1.2, "1.8 mm"), (1.7, "1.8 mm"), (1.9, None)],
)
def test_writing_is_held_to_what_the_eye_reads(marked, review_of, found, tall_mm, target):
    findings = found(
        review_of(marked(_word("TELL", tall=tall_mm, stroke=0.32)), "cast_printed_mould"), "mark_height"
    )
    assert [finding.measured for finding in findings] == ([round(tall_mm * 1e3, 1)] if target else [])
    for finding in findings:
        assert f"Write it {target} tall" in finding.remedy
        assert finding.limit == 1400.0


def test_rows_of_letters_are_told_from_ticks_and_measured_across_their_direction():
    word = _word("TELL", tall=2.0, stroke=0.3)
    (row,) = writing(word)
    assert row.height_mm == pytest.approx(2.0)
    assert row.outline.bounds == pytest.approx(word.bounds)
    turned = MultiPolygon([Polygon([(-y, x) for x, y in part.exterior.coords]) for part in word.geoms])
    (row,) = writing(turned)
    assert row.height_mm == pytest.approx(2.0)
    two_lines = MultiPolygon([*word.geoms, *translate(word, 0.0, -2.9).geoms])
    assert [row.height_mm for row in writing(two_lines)] == pytest.approx([2.0, 2.0])
    ticks = MultiPolygon([box(10 + i, 15, 10.2 + i, 16 if i % 5 else 17) for i in range(20)])
    close = MultiPolygon([box(10 + 0.3 * i, 15, 10.2 + 0.3 * i, 16) for i in range(20)])
    assert writing(ticks) == writing(close) == ()


@pytest.mark.parametrize("side", ["lid", "body"])
@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("kind", ["qr", "micro", "matrix"])
def test_a_large_code_is_read_on_every_route_from_either_side(
    marked, review_of, found, code_shape, route, side, kind
):
    module_mm = 0.35 if kind == "qr" else 0.5
    job = marked(code_shape("NO3-7", kind=kind, module_mm=module_mm, at=(30.0, 13.0)), side=side)
    analysis = review_of(job, route)
    for rule in ("code_legible", "mark_reversed", "mark_stroke", "mark_height"):
        assert found(analysis, rule) == []
    (code,) = analysis.summary.codes
    assert (code.text, code.read, code.read_at_worst, code.mirrored) == ("NO3-7", True, True, False)
    assert code.module_um == pytest.approx(module_mm * 1e3)
    assert analysis.summary.handedness.viewed_from == side


def test_a_fine_code_is_a_blocker_and_reads_at_the_size_of_the_remedy(marked, review_of, found, code_shape):
    """Modules of 70 µm are two pixels: swollen by light at both edges they run together."""

    def at(module_mm):
        job = marked(code_shape("NO3-7", module_mm=module_mm, at=(30.0, 13.0)))
        return review_of(job, "cast_printed_mould")

    (finding,) = found(at(0.07), "code_legible")
    assert finding.severity is Severity.BLOCKER
    assert (finding.measured, finding.limit) == (70.0, 200.0)
    assert "21 × 21 modules of 70 µm" in finding.message
    assert at(0.07).summary.codes[0].read is False
    target_mm = float(finding.remedy.split("modules to ")[1].split(" µm")[0]) / 1e3
    assert 0.2 <= target_mm <= 0.4
    # elsewhere on the raster the pixels fall otherwise: a pixel of 35 µm more makes up for that
    assert found(at(target_mm + 0.035), "code_legible") == []


def test_between_both_a_code_is_a_risk(marked, review_of, found, code_shape):
    job = marked(code_shape("NO3-7", module_mm=0.22, at=(30.0, 13.0)))
    (finding,) = found(review_of(job, "cast_printed_mould"), "code_legible")
    assert finding.severity is Severity.RISK
    assert "read at best estimate" in finding.message


def test_a_measured_printer_reads_finer_codes(marked, review_of, found, with_values, code_shape):
    job = marked(code_shape("NO3-7", module_mm=0.25, at=(30.0, 13.0)))
    assert found(review_of(job, "cast_printed_mould"), "code_legible")
    measured = with_values(job, "mould_resin", clear=Fact(False, "bench"))
    measured = with_values(measured, "printer", calibrated=Fact(True, "bench"))
    assert found(review_of(measured, "cast_printed_mould"), "code_legible") == []


def test_what_lies_in_the_quiet_zone_is_told_and_is_in_the_picture(marked, review_of, found, code_shape):
    """Four modules of 350 µm are 1.4 mm (ISO/IEC 18004). The channel ends at 11.5 mm."""
    near = marked(code_shape("NO3-7", module_mm=0.35, at=(30.0, 12.2)))
    (finding,) = found(review_of(near, "cast_wafer_mould"), "code_legible")
    assert finding.severity is Severity.RISK
    assert (finding.measured, finding.limit) == (700.0, 1400.0)
    # drawn into the channel its finder patterns cannot be told from it
    within = marked(code_shape("NO3-7", module_mm=0.35, at=(30.0, 9.0)))
    severities = {item.severity for item in found(review_of(within, "cast_wafer_mould"), "code_legible")}
    assert severities == {Severity.BLOCKER, Severity.RISK}


def test_a_long_text_is_cut_in_sentences_but_not_in_the_result(marked, review_of, found, code_shape):
    text = "https://example.org/kits/river/nitrate/lot/2026-11/chip/0052"
    code = code_shape(text, module_mm=0.15, at=(30.0, 12.5))
    analysis = review_of(marked(code), "cast_printed_mould")
    (finding, *_) = found(analysis, "code_legible")
    assert f"{text[:39]}…" in finding.message
    assert text not in finding.message
    assert analysis.summary.codes[0].text == text


def test_a_mirrored_drawing_is_told(marked, review_of, found, code_shape):
    code = scale(code_shape("NO3-7", module_mm=0.35, at=(30.0, 13.0)), -1.0, 1.0)
    for route in ROUTES:
        (finding,) = found(review_of(marked(code), route), "mark_reversed")
        assert finding.severity is Severity.RISK
        assert "viewed_from 'body'" in finding.remedy
        assert "'NO3-7'" in finding.message


@pytest.mark.parametrize(
    ("route", "side", "lid", "pigmented", "hidden"),
    [
        ("cast_printed_mould", "lid", "glass", "silicone", False),
        ("cast_printed_mould", "body", "glass", "silicone", True),
        ("cast_printed_mould", "lid", "silicone", "silicone", True),
        ("cast_wafer_mould", "body", "glass", None, False),
        ("printed_bonded_halves", "lid", "glass", "resin", True),
        ("printed_bonded_halves", "body", "glass", "resin", True),
        ("printed_bonded_halves", "lid", "glass", None, False),
        # marks lie in the outer face
        ("printed_monolith", "lid", "glass", "resin", False),
    ],
)
def test_marks_behind_something_opaque_are_told(
    marked, review_of, found, with_values, route, side, lid, pigmented, hidden
):
    job = marked(_word("TELL", tall=4.0, stroke=0.5), side=side, lid=lid)
    if pigmented:
        job = with_values(job, pigmented, clear=Fact(False, "data sheet"))
    findings = found(review_of(job, route), "mark_reversed")
    assert bool(findings) is hidden
    for finding in findings:
        assert (finding.severity, finding.source) == (Severity.RISK, "data sheet")
        assert f"from the {side} side" in finding.message
