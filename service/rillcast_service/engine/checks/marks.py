"""Rules about labels and codes: legible strokes and letters, codes that decode, all the right way round."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import shapely
from shapely import MultiLineString, MultiPolygon

from rillcast_service.engine.asmade.codes import QUIET_MODULES
from rillcast_service.engine.asmade.legibility import ReadCode, enlarged, read_codes, without_codes, writing
from rillcast_service.engine.asmade.model import AsMade
from rillcast_service.engine.checks.limits import Limit, least_size_um, quantity_limit
from rillcast_service.engine.checks.places import by_severity
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import (
    at_places,
    enough_mm,
    enough_um,
    in_doubt,
    mm,
    or_finer,
    um,
    um_least,
)
from rillcast_service.engine.job import Job
from rillcast_service.engine.layout.measure import Span, narrow_gaps, narrow_spans
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes.viewing import cover

#: A gap of no width between two marks is where they touch, which is drawn on purpose.
_TOUCHING_UM = 1.0
_LONGEST_TEXT = 40
_CODE = "decoded from the as-made picture"


@rule("mark_stroke")
def mark_stroke(case: Case) -> Iterator[Finding]:
    """Strokes of labels, and the spaces between them, at least as wide as the machine resolves, as drawn."""
    limit = least_size_um(case, "mark_stroke")
    if limit is None:
        return
    for layer in case.job.layout.mark_layers:
        strokes = without_codes(layer.geometry)
        if strokes.is_empty:
            continue
        yield from _too_narrow(case, "stroke", limit, narrow_spans(strokes, below_um=limit.value.high))
        gaps = narrow_gaps(strokes, below_um=limit.value.high)
        apart = tuple(gap for gap in gaps if gap.length_um > _TOUCHING_UM)
        yield from _too_narrow(case, "space between strokes", limit, apart)


def _too_narrow(case: Case, thing: str, limit: Limit, spans: tuple[Span, ...]) -> Iterator[Finding]:
    """One finding for all places of one severity."""
    graded = [(limit.severity_of_too_small(round(span.length_um)), span) for span in spans]
    for wanted, found in by_severity(graded):
        least = round(min(span.length_um for span in found))
        yield Finding(
            rule="mark_stroke",
            severity=_at_most(case, "mark_stroke", wanted),
            message=(
                f"The narrowest {thing} of the marks is {um(least)} wide{at_places(found)}; this route keeps "
                f"{um(limit.value.best)} and up legible.{in_doubt(case, limit)}"
            ),
            remedy=(
                f"Make it {enough_um(limit, wanted, 'wide')}{or_finer(case, 'mark_stroke', drawn_um=least)}."
            ),
            measured=float(least),
            **limit.shown,
            unit="µm",
            where=MultiLineString([span.chord for span in found]),
        )


@rule("mark_height")
def mark_height(case: Case) -> Iterator[Finding]:
    """Letters tall enough to be read where they are made."""
    limit = least_size_um(case, "mark_height")
    if limit is None:
        return
    rows = [row for layer in case.job.layout.mark_layers for row in writing(without_codes(layer.geometry))]
    graded = [(limit.severity_of_too_small(round(row.height_mm * 1e3)), row) for row in rows]
    for wanted, found in by_severity(graded):
        least_um = min(row.height_mm for row in found) * 1e3
        more = f" ({len(found)} rows are that small)" if len(found) > 1 else ""
        yield Finding(
            rule="mark_height",
            severity=_at_most(case, "mark_height", wanted),
            message=(
                f"The smallest writing is {mm(least_um / 1e3)} tall{more}; it is read without a lens from "
                f"{mm(limit.value.best / 1e3)} up."
            ),
            remedy=f"Write it {enough_mm(limit, wanted, 'tall')}, or read it under a lens.",
            measured=round(least_um, 1),
            **limit.shown,
            unit="µm",
            where=MultiPolygon([row.outline for row in found]),
        )


@rule("code_legible")
def code_legible(case: Case) -> Iterator[Finding]:
    """Codes that a decoder reads from what is made of them, with modules that the machine resolves."""
    limit = least_size_um(case, "code_legible")
    if limit is None:
        return
    for read in read_codes(case.job, case.as_made):
        code = read.code
        yield from _quiet_zone(read)
        module_um = round(code.module_mm * 1e3, 1)
        if read.best and read.worst and module_um >= limit.value.best:
            continue
        severity = Severity.RISK if read.best else Severity.BLOCKER
        if not read.best:
            what = "is not read on the chip as made"
        elif not read.worst:
            what = "is read at best estimate, but not at both ends of what may come out"
        else:
            what = f"is read in the computed picture, but its modules are below {um(limit.value.best)}"
        yield Finding(
            rule="code_legible",
            severity=_at_most(case, "code_legible", severity),
            message=(
                f"The {code.format} that reads {_said(code.text)} ({code.columns} × {code.rows} modules of "
                f"{um(module_um)}) {what}.{in_doubt(case, limit)}"
            ),
            remedy=_remedy(case, read, limit),
            measured=module_um,
            **replace(limit, source=f"{_CODE}; {limit.source}").shown,
            unit="µm",
            where=code.outline,
        )


def _quiet_zone(read: ReadCode) -> Iterator[Finding]:
    """A quiet zone as wide as the code's standard asks for: other readers may need it where one did not."""
    if math.isfinite(read.free_mm):
        code, modules = read.code, QUIET_MODULES[read.code.format]
        yield Finding(
            rule="code_legible",
            severity=Severity.RISK,
            message=(
                f"Around the {code.format} that reads {_said(code.text)} {mm(read.free_mm)} are free; its "
                f"standard asks for {modules} {'module' if modules == 1 else 'modules'}, {mm(code.quiet_mm)}."
            ),
            remedy=f"Keep {mm(code.quiet_mm)} around it free of marks, channels, ports and the edge.",
            source="Micro QR and QR: ISO/IEC 18004; Data Matrix: ISO/IEC 16022",
            measured=round(read.free_mm * 1e3, 1),
            limit=round(code.quiet_mm * 1e3, 1),
            unit="µm",
            where=code.window,
        )


def _said(text: str) -> str:
    """What a code says, short enough for a sentence."""
    return repr(text if len(text) <= _LONGEST_TEXT else f"{text[: _LONGEST_TEXT - 1]}…")


def code_scale(case: Case, read: ReadCode, limit: Limit) -> float | None:
    """How much larger a code has to be drawn, found by making larger ones.

    Args:
        case: how it is made.
        read: the code as drawn, and what becomes of it.
        limit: of a module, µm.

    Returns:
        The factor, 1 where it is large enough; None where no size that is tried is read.
    """
    code = read.code
    factor = 1.0
    if not read.worst:
        step, most = (quantity_limit(case, "code_legible", key) for key in ("scale_step", "scale_most"))
        layer = next(layer for layer in case.job.layout.mark_layers if layer.name == read.layer)

        def make(marks: MultiPolygon) -> tuple[Job, AsMade]:
            alone = replace(layer, geometry=marks)
            job = replace(case.job, layout=replace(case.job.layout, layers=(alone,), ports=()))
            return job, case.route.as_made(job, case.variant)

        assert step is not None, "the route's table has it"
        assert most is not None, "the route's table has it"
        found = enlarged(code, layer, make, step=step.value.best, most=most.value.best)
        if found is None:
            return None
        factor = found
    return max(factor, limit.value.best / (code.module_mm * 1e3))


def _remedy(case: Case, read: ReadCode, limit: Limit) -> str:
    factor = code_scale(case, read, limit)
    if factor is None:
        most = quantity_limit(case, "code_legible", "scale_most")
        assert most is not None, "the route's table has it"
        return (
            f"Enlarging it {most.value.best:g} times does not help: leave more free space around it, or "
            "put it on a label."
        )
    code = read.code
    target_um = code.module_mm * 1e3 * factor
    width_mm, height_mm = (count * target_um / 1e3 for count in (code.columns, code.rows))
    return (
        f"Enlarge its modules to {um_least(target_um)} or more ({mm(width_mm)} × {mm(height_mm)} without its "
        "quiet zone), or shorten the text so that it needs fewer."
    )


@rule("mark_reversed")
def mark_reversed(case: Case) -> Iterator[Finding]:
    """Marks that are seen from the asked side, and codes that are the right way round from there."""
    layers = case.job.layout.mark_layers
    if not layers:
        return
    side = case.job.chip.viewed_from
    other = "body" if side == "lid" else "lid"
    between = cover(case.job, case.route)
    if between is not None and not between.clear:
        yield Finding(
            rule="mark_reversed",
            severity=_at_most(case, "mark_reversed", Severity.BLOCKER),
            message=(
                f"Marks are made in the bonded face, and {between.words} hides them from the {side} side: it "
                "is not clear."
            ),
            remedy="Take a clear material there, a route that engraves the outer face, or a label.",
            source=between.source,
            where=shapely.union_all([layer.geometry for layer in layers]),
        )
    for read in read_codes(case.job, case.as_made):
        if read.code.mirrored:
            yield Finding(
                rule="mark_reversed",
                severity=_at_most(case, "mark_reversed", Severity.BLOCKER),
                message=(
                    f"The {read.code.format} that reads {_said(read.code.text)} is drawn mirrored: from the "
                    f"{side} side it is the wrong way round, and all else of the drawing may be so."
                ),
                remedy=(
                    f"Mirror the drawing, or ask for viewed_from {other!r} if it shows the chip from there. "
                    "Nothing need be drawn mirrored for a mould: as_made.handedness says what the files do."
                ),
                source="format information and modules of the code",
                where=read.code.outline,
            )


def _at_most(case: Case, rule_id: str, severity: Severity) -> Severity:
    """A mark that does not come out costs the mark, not the chip, where the rule says so."""
    gravest = case.job.catalogue.rules[rule_id].get("gravest", Severity.BLOCKER)
    return Severity.RISK if severity is Severity.BLOCKER and gravest == Severity.RISK else severity
