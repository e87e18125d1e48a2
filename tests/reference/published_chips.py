"""The review's verdicts on chips that others published, set against what came of them.

.venv/bin/python tests/reference/published_chips.py > tests/reference/published_chips.md
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from shapely import MultiPolygon, Point, box, union_all

from rillcast_service.catalogue.loader import load
from rillcast_service.catalogue.types import Catalogue, Entry, Fact, Quantity, Value
from rillcast_service.engine.layout.model import Layer, Layout, Port, PortRole, Role
from rillcast_service.engine.preparing import prepare
from rillcast_service.engine.quoting import Analysis, analyse
from rillcast_service.engine.request import ChipRequest, QuoteRequest, UseRequest
from rillcast_service.engine.result import Severity, Verdict
from rillcast_service.engine.routes.registry import load_routes

HERE = Path(__file__).parent
DOCUMENT = HERE / "published_chips.md"
START = datetime(2027, 3, 1, 9, 0, tzinfo=UTC)

#: How a row comes by its outcome when its source does not say it.
INFERRED = "inferred"
#: How good a verdict is, the best first.
_ORDER = (Verdict.MAKEABLE, Verdict.MAKEABLE_WITH_RISK, Verdict.NOT_MAKEABLE)
#: A custom resin is exposed so that it cures this many layers deep; common practice, no source.
_LAYERS_DEEP = 1.5
_LENGTH_MM, _BORE_MM = 12.0, 1.5


@dataclass(frozen=True, slots=True)
class Judged:
    """One published chip with the review's answer."""

    chip: Mapping[str, Any]
    analysis: Analysis

    @property
    def verdict(self) -> Verdict:
        return self.analysis.verdict

    @property
    def deciding(self) -> tuple[str, ...]:
        """Ids of the rules that stand behind the verdict."""
        gravest = Severity.BLOCKER if self.verdict is Verdict.NOT_MAKEABLE else Severity.RISK
        return tuple(dict.fromkeys(f.rule for f in self.analysis.findings if f.severity is gravest))

    @property
    def right(self) -> bool:
        """Whether what was made can be made (with or without risk), and what failed cannot."""
        return (self.verdict is not Verdict.NOT_MAKEABLE) is bool(self.chip["made"])


def chips() -> list[dict[str, Any]]:
    """The published chips, as in the data file."""
    return tomllib.loads((HERE / "published_chips.toml").read_text(encoding="utf-8"))["chips"]


def judge(chip: Mapping[str, Any]) -> Judged:
    """Review one published chip by its route, in its variant or the best of them."""
    shipped = _shipped()
    entries, bench = _bench(chip, shipped)
    catalogue = shipped.with_bench(entries)
    request = QuoteRequest(
        quantity=1,
        start=START,
        routes=(chip["route"],),
        bench={**bench, "plasma": "benchtop_air"},
        use=UseRequest(flow_ul_per_min=chip.get("flow_ul_per_min")),
        chip=ChipRequest(thickness_mm=chip.get("thickness_mm")),
    )
    job, _ = prepare(_layout(chip), request, catalogue)
    route = load_routes(catalogue)[chip["route"]]
    variants = [
        variant for variant in route.variants(job) if chip.get("variant", variant.name) == variant.name
    ]
    analyses = [analyse(job, route, variant, {}) for variant in variants]
    return Judged(chip, min(analyses, key=lambda analysis: _ORDER.index(analysis.verdict)))


@lru_cache
def _shipped() -> Catalogue:
    return load()


def _layout(chip: Mapping[str, Any]) -> Layout:
    """A straight channel of the published section between two ports."""
    half = chip["width_um"] / 2000.0
    ends = ((5.0, PortRole.INLET), (5.0 + _LENGTH_MM, PortRole.OUTLET))
    bores = [Point(x, 10.0).buffer(_BORE_MM / 2.0) for x, _ in ends]
    channel = union_all([box(5.0, 10.0 - half, 5.0 + _LENGTH_MM, 10.0 + half), *bores])
    layer = Layer("channels", Role.CHANNELS, MultiPolygon([channel]), float(chip["depth_um"]), 3)
    ports = tuple(Port(str(role), role, bore, _BORE_MM) for (_, role), bore in zip(ends, bores, strict=True))
    outline = box(0.0, 0.0, 10.0 + _LENGTH_MM, 20.0)
    return Layout(chip["id"], "svg", (layer,), ports, outline, flattening_um=1.0)


def _bench(chip: Mapping[str, Any], shipped: Catalogue) -> tuple[tuple[Entry, ...], dict[str, str]]:
    """Printer, resin and mould of the source, over the entries that it stands on."""
    bench: dict[str, str] = {}
    if "mould" in chip:
        bench["mould"] = chip["mould"]
    if "printer" not in chip:
        return (), bench
    given = chip["printer"]
    base = shipped.get("printers", given.get("based_on", "masked_lcd_35um"))
    values: dict[str, Value] = dict(base.values)
    for key, names in (("pixel_um", ("pixel_x_um", "pixel_y_um")), ("layer_um", ("layer_um",))):
        for name in names if key in given else ():
            values[name] = _number(name, given[key], chip["source"])
    if given.get("calibrated"):
        values["calibrated"] = Fact(True, chip["source"])
        # what is measured is compensated in the drawing
        values["edge_bleed_um"] = _number("edge_bleed_um", 0.0, chip["source"])
    printer = Entry("printers", "published", "printer of the source", values, "bench")
    bench["printer"] = "published"
    if "resin" not in chip:
        return (printer,), bench
    resin = shipped.get("resins", "clear_standard")
    own: dict[str, Value] = dict(resin.values)
    for key, value in chip["resin"].items():
        own[key] = _number(key, value, chip["source"])
    if "exposure_s" not in chip["resin"]:
        layers = printer.number("layer_um") / chip["resin"]["penetration_depth_um"]
        dose = resin.number("critical_dose_mj_per_cm2") * math.exp(_LAYERS_DEEP * layers)
        seconds = dose / printer.number("intensity_mw_per_cm2")
        own["exposure_s"] = _number("exposure_s", seconds, "cures one and a half layers deep")
    bench["resin"] = "published"
    return (printer, replace(resin, name="published", values=own, origin="bench")), bench


def _number(key: str, value: float, source: str) -> Quantity:
    unit = {"um": "µm", "s": "s"}[key.rsplit("_", 1)[1]]
    return Quantity(float(value), unit, source, float(value), float(value))


def document(judged: list[Judged]) -> str:
    """The table for readers.

    Args:
        judged: every chip of the data file.

    Returns:
        Markdown: the confusion table, then every chip with its source.
    """
    verdicts = ("makeable", "makeable with risk", "not makeable")
    inferred = sum(item.chip["known"] == INFERRED for item in judged)

    def row(made: bool, of_source: bool) -> str:
        found = [
            item.verdict
            for item in judged
            if item.chip["made"] is made and (item.chip["known"] != INFERRED) is of_source
        ]
        counts = " | ".join(str(found.count(verdict)) for verdict in _ORDER)
        told = "shown or published limit" if of_source else INFERRED
        return f"| {'made' if made else 'failed'}, {told} | {counts} |"

    lines = [
        "# Published chips against the review's verdict",
        "",
        f"{len(judged)} chips and test structures that others published, made and failed, each drawn as a "
        "straight channel of",
        "its section between two ports and reviewed as any layout is. The data is in",
        "[published_chips.toml](published_chips.toml), the check in "
        "[test_published_chips.py](test_published_chips.py). Written by",
        "`.venv/bin/python tests/reference/published_chips.py > tests/reference/published_chips.md`.",
        "",
        f"| published | {' | '.join(verdicts)} |",
        "| --- | --- | --- | --- |",
        *(row(made, of_source) for of_source in (True, False) for made in (True, False)),
        "",
        f"{len(judged) - inferred} rows are the source's own: *shown* when it made this very thing, "
        "*published limit* when it says from",
        "where on such things come out or fail. The others are *inferred*, such as half of a least size, and "
        "counted apart.",
        "",
        "Right is: not makeable for what failed, anything else for what was made. *With risk* on a printer "
        "that nobody",
        "measured is as much as the review can say, and stands in a column of its own. No source could be "
        "read whole; *read*",
        "tells how much was, and *stands in* what had to be taken from the catalogue or from memory.",
        "",
        "| chip | route | width × depth | published | known | verdict | by | |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for item in judged:
        chip = item.chip
        by = ", ".join(item.deciding) or "–"
        lines.append(
            f"| {chip['id']} | {chip['route']} | {chip['width_um']:g} × {chip['depth_um']:g} µm | "
            f"{'made' if chip['made'] else 'failed'} | {chip['known']} | "
            f"{item.verdict.value.replace('_', ' ')} | {by} | "
            f"{'' if item.right else 'wrong'} |"
        )
    lines += ["", "## Where the verdict is wrong", ""]
    lines += [f"* **{item.chip['id']}**: {item.chip['wrong']}." for item in judged if not item.right]
    lines += ["", "## Sources", ""]
    for item in judged:
        chip = item.chip
        stands_in = f" Stands in: {chip['missing']}." if "missing" in chip else ""
        lines.append(
            f"* **{chip['id']}**: {chip['source']} (read: {chip['read']}). {chip['basis']}.{stands_in}"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(document([judge(chip) for chip in chips()]))
