"""Limits as data: what a route's catalogue table allows, with its range and source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypedDict

from rillcast_service.catalogue.types import Quantity
from rillcast_service.engine.asmade.printing import UPRIGHT_FROM_DEG
from rillcast_service.engine.checks.registry import Case
from rillcast_service.engine.job import Job
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.result import Severity
from rillcast_service.engine.routes import prints


class Shown(TypedDict):
    """The members of a finding that tell its limit."""

    source: str
    limit: float
    limit_low: float
    limit_high: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A least (or greatest) size, the range that the doubt about it spans, and where it comes from."""

    value: Range
    source: str

    @classmethod
    def of(cls, quantity: Quantity) -> Limit:
        """A catalogue value as a limit."""
        return cls(Range(quantity.low, quantity.value, quantity.high), quantity.source)

    @property
    def shown(self) -> Shown:
        """This limit as a finding shows it."""
        best, low, high = self.value.best, self.value.low, self.value.high
        return Shown(source=self.source, limit=best, limit_low=low, limit_high=high)

    def severity_of_too_small(self, measured: float) -> Severity | None:
        """How much it matters that a size should be at least this.

        Args:
            measured: in the limit's unit.

        Returns:
            blocker below the best estimate of the limit; risk between that and the high end, where
            the doubt about the limit reaches; None above.
        """
        if measured < self.value.best:
            return Severity.BLOCKER
        return Severity.RISK if measured < self.value.high else None

    def severity_of_too_large(self, measured: float) -> Severity | None:
        """How much it matters that a size should be at most this: the mirror of the above."""
        if measured > self.value.best:
            return Severity.BLOCKER
        return Severity.RISK if measured > self.value.low else None


def hand_kpa(job: Job) -> Range:
    """What a hand gives on the chosen syringe, as far as its fitting is meant for it.

    Args:
        job: its bench holds the syringe.

    Returns:
        kPa.
    """
    rated = job.catalogue.get("standards", "luer_6_percent").number("rated_pressure_kpa")
    hand = Limit.of(job.bench["syringe"].quantity("hand_pressure_kpa")).value
    return hand.map(lambda kpa: min(kpa, rated))


def limit_table(case: Case, rule_id: str) -> Mapping[str, Any]:
    """The route's limits for a rule, empty when it sets none.

    Args:
        case: what is looked at.
        rule_id: id of the rule.

    Returns:
        The table `[limits.<rule_id>]` of the route's catalogue file.
    """
    table: Mapping[str, Any] = case.route.table.get("limits", {}).get(rule_id, {})
    return table


def quantity_limit(case: Case, rule_id: str, key: str) -> Limit | None:
    """One limit that stands in the route's table, or that it takes from a machine.

    Args:
        case, rule_id: as above.
        key: name of the limit; its suffix says the unit.

    Returns:
        The limit, or None when the route sets none.
    """
    term = limit_table(case, rule_id).get(key)
    if term is None:
        return None
    return _of_machine(case, term) if "of" in term else Limit(_range(term), str(term["source"]))


def rule_range(case: Case, rule_id: str, key: str) -> Range:
    """A value that a rule works with on every route, from its own table in catalogue/rules.toml.

    Args:
        case, rule_id: as above.
        key: name of the value; its suffix says the unit.

    Returns:
        The value with its range.
    """
    return _range(case.job.catalogue.rules[rule_id][key])


def least_size_um(case: Case, rule_id: str) -> Limit | None:
    """The least size that the route's machine makes: the largest of the terms in its table.

    Args:
        case, rule_id: as above. The table holds `terms`, each with `pixels` or `layers` (of the
            chosen printer) or `um`, `low`, `high` and `source`; or with `of`, which names a value of
            a machine on the bench (`mould.min_feature_um`). A term `without_profile` is what common
            printers and resins keep: it does not bind a printer whose own profile was measured.

    Returns:
        The limit in µm, or None when the route sets none. A printer without a measured profile
        keeps the whole range, and pixel terms take the published spread of its light bleed on top;
        a measured one is held to the best estimate.
    """
    limits = [
        _term_um(case, term)
        for term in limit_table(case, rule_id).get("terms", ())
        if not (case.as_made.calibrated and term.get("without_profile"))
    ]
    if not limits:
        return None
    best = max(limits, key=lambda limit: limit.value.best)
    low = max(limits, key=lambda limit: limit.value.low)
    high = max(limits, key=lambda limit: limit.value.high)
    sources = dict.fromkeys((best.source, low.source, high.source))
    return Limit(Range(low.value.low, best.value.best, high.value.high), "; ".join(sources))


@dataclass(frozen=True, slots=True)
class Finer:
    """What on the side of the machine would make a size as small as drawn.

    Args:
        profile: a measured profile of the printer is needed.
        pixel_um, layer_um: the largest pixel and layer that do; None where the machine at hand does.
        feature_um: least feature to ask of whoever makes the mould.
    """

    profile: bool = False
    pixel_um: float | None = None
    layer_um: float | None = None
    feature_um: float | None = None


def finer_machine(case: Case, rule_id: str, *, drawn_um: float) -> Finer | None:
    """Whether another machine, or the knowledge of this one, lets a drawn size pass.

    Args:
        case, rule_id: as in `least_size_um`.
        drawn_um: the size that is too small on the machine at hand.

    Returns:
        What would do, with a measured profile at best estimates; None where what binds is no machine's.
    """
    pixel_um = layer_um = feature_um = None
    for term in limit_table(case, rule_id).get("terms", ()):
        if "of" in term:
            feature_um = drawn_um
        elif "um" in term:
            if float(term["um"]) > drawn_um and not term.get("without_profile"):
                return None
        else:
            printer = prints.printer(case.job)
            in_layers = "layers" in term and case.variant.orientation_deg < UPRIGHT_FROM_DEG
            largest = drawn_um / float(term["layers" if "layers" in term else "pixels"])
            if in_layers and printer.number("layer_um") > largest:
                layer_um = largest
            elif not in_layers and max(printer.number(f"pixel_{axis}_um") for axis in "xy") > largest:
                pixel_um = largest
    profile = case.as_made.calibrated is False
    if not profile and pixel_um is layer_um is feature_um is None:
        return None
    return Finer(profile, pixel_um, layer_um, feature_um)


def _term_um(case: Case, term: Mapping[str, Any]) -> Limit:
    if "of" in term:
        return _of_machine(case, term)
    if "um" in term:
        value = _range(term, key="um")
    elif "layers" in term and case.variant.orientation_deg < UPRIGHT_FROM_DEG:
        value = _range(term, key="layers") * prints.printer(case.job).number("layer_um")
    else:
        printer = prints.printer(case.job)
        pixel_um = max(printer.number("pixel_x_um"), printer.number("pixel_y_um"))
        # upright, the depth lies in the plane of the pixels
        value = _range(term, key="pixels" if "pixels" in term else "layers") * pixel_um
        bleed = printer.quantity("edge_bleed_um")
        value = Range(value.low, value.best, value.high + 2.0 * (bleed.high - bleed.value))
    if case.as_made.calibrated:
        value = Range.exact(value.best)
    return Limit(value, str(term["source"]))


def _of_machine(case: Case, term: Mapping[str, Any]) -> Limit:
    machine, key = str(term["of"]).split(".")
    return Limit.of(case.job.bench[machine].quantity(key))


def _range(term: Mapping[str, Any], key: str = "value") -> Range:
    best = float(term[key])
    return Range(float(term.get("low", best)), best, float(term.get("high", best)))
