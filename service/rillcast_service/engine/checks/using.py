"""Rules about what the chip is asked to do: pressure and light."""

from __future__ import annotations

from collections.abc import Iterator

from rillcast_service.engine.checks.limits import Limit
from rillcast_service.engine.checks.registry import Case, rule
from rillcast_service.engine.checks.words import figures_most
from rillcast_service.engine.result import Finding, Severity
from rillcast_service.engine.routes import prints


@rule("pressure_asked")
def pressure_asked(case: Case) -> Iterator[Finding]:
    """The pressure that the asked flow needs stays below what the request allows."""
    allowed = case.job.use.max_pressure_kpa
    needed = case.fluidics.source_pressure_kpa if case.fluidics is not None else None
    if allowed is None or needed is None or needed <= allowed:
        return
    flow = case.job.use.flow_ul_per_min
    yield Finding(
        rule="pressure_asked",
        severity=Severity.RISK,
        message=f"The asked flow needs {needed:.3g} kPa, and {allowed:g} kPa are allowed.",
        remedy=(
            f"Lower the flow to {figures_most(flow * allowed / needed)} µL/min, or make the channels deeper: "
            "the pressure falls with the third power of the depth."
        ),
        source="asked in the request",
        measured=round(needed, 3),
        limit=allowed,
        unit="kPa",
    )


@rule("light_path")
def light_path(case: Case) -> Iterator[Finding]:
    """The resin of a printed part is clear at the wavelengths that the use asks for."""
    resin = prints.resin(case.job)
    bands = case.job.catalogue.rules["light_path"]["bands"]
    for optic in case.job.use.optics:
        shortest_nm = float(bands[optic]["value"])
        if not resin.fact("clear", default=False):
            yield Finding(
                rule="light_path",
                severity=Severity.BLOCKER,
                message=f"{resin.title} is pigmented: no light passes for {_words(optic)}.",
                remedy="Choose a clear resin, or close a cast with glass.",
                source=resin.source_of("clear"),
            )
            continue
        clear_from = resin.quantity("clear_from_nm")
        severity = Limit.of(clear_from).severity_of_too_small(shortest_nm)
        if severity is not None:
            yield Finding(
                rule="light_path",
                severity=severity,
                message=(
                    f"{_words(optic).capitalize()} needs light from {shortest_nm:.0f} nm on; {resin.title} "
                    f"is clear from {clear_from.value:.0f} nm on."
                ),
                remedy=(
                    f"Use light of {clear_from.high:.0f} nm or longer, measure a printed test piece, or "
                    "cast the chip in silicone and close it with glass."
                ),
                measured=shortest_nm,
                **Limit.of(clear_from).shown,
                unit="nm",
            )


def _words(optic: str) -> str:
    return optic.replace("_", " ").replace("uv ", "ultraviolet ")
