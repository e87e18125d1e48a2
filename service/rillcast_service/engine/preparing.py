"""From layout and request to a job: every name looked up, every default filled in and told."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import combinations
from zoneinfo import ZoneInfo

import shapely
from shapely import Polygon

from rillcast_service.catalogue.types import Catalogue, Entry, Fact, Quantity, UnknownEntry
from rillcast_service.engine.checks.review import rule_sets
from rillcast_service.engine.errors import Fault, LayoutInvalid, RequestInvalid, UnknownName
from rillcast_service.engine.fluidics import liquids
from rillcast_service.engine.job import BENCH_KINDS, Bench, Chip, Job, LinePart, Readout, Terms, Use
from rillcast_service.engine.layout.model import Assumption, Layout, PortRole, Role
from rillcast_service.engine.layout.options import MAX_LEVEL, escaped
from rillcast_service.engine.layout.ports import merge_ports
from rillcast_service.engine.profiles import FilledIn, with_whole_profiles
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.request import LineRequest, QuoteRequest, VariantRequest
from rillcast_service.engine.routes.base import Route
from rillcast_service.engine.routes.registry import load_routes
from rillcast_service.engine.routes.variants import asked_builds
from rillcast_service.engine.shapes import drawn_channels

#: Key of `depths_um` that stands for every channel layer that is not named there; it beats the file.
EVERY_CHANNEL_LAYER = "channels"

#: Largest quantity that is planned piece by piece; a bench does not see more.
MAX_QUANTITY = 10_000

#: What a chip can be closed with; a route may take only some of them, and says so.
LIDS = ("glass", "silicone", "printed")

#: Sides that a chip can be looked at from.
SIDES = ("lid", "body")

#: Temperatures between which water is a liquid at room pressure.
LIQUID_RANGE_C = (0.0, 100.0)

#: What every bench works with: machines may be missing, these may not.
_NEEDED = ("resin", "mould_resin", "silicone", "mould", "syringe", "calendar")


def prepare(
    layout: Layout, request: QuoteRequest, catalogue: Catalogue
) -> tuple[Job, tuple[Assumption, ...]]:
    """Fill in all that the request leaves open, and refuse what cannot be answered.

    Args:
        layout: as read from the file.
        request: as sent.
        catalogue: shipped defaults with the user's bench over them.

    Returns:
        The job, and every default that was used, with its source.

    Raises:
        RequestInvalid, UnknownName: with a pointer into the request.
        LayoutInvalid: a port that touches no channel, with its place.
    """
    if not 1 <= request.quantity <= MAX_QUANTITY:
        raise RequestInvalid(
            Fault(
                f"A quantity of {request.quantity} cannot be planned.",
                f"Ask for 1 to {MAX_QUANTITY} pieces.",
                pointer="#/quantity",
            )
        )
    catalogue, filled_in = with_whole_profiles(catalogue)
    _check_routes(request, catalogue)
    _check_machines(request, catalogue)
    _check_rule_sets(request, catalogue)
    assumed = _Assumptions(catalogue)
    bench = _bench(request, assumed)
    _tell_profiles(filled_in, bench, request, assumed)
    _check_passivation(bench)
    layout = _with_levels(_with_depths(layout, request), request)
    _tell_levels(layout, request, assumed)
    layout = merge_ports(layout, request.ports)
    _check_ports(layout)
    _check_readouts(layout, request)
    chip = _chip(layout, request, assumed)
    layout = _with_mark_depths(layout, request, assumed)
    _check_depths(layout, chip)
    use = _use(request, assumed)
    _tell_mixing(layout, request, assumed)
    # every time of the answer is told on the bench's own clock
    zone = ZoneInfo(str(bench["calendar"].fact("timezone")))
    job = Job(
        layout=layout,
        chip=chip,
        use=use,
        bench=bench,
        catalogue=catalogue,
        quantity=request.quantity,
        start=request.start.astimezone(zone),
        aim=request.aim,
        deadline=request.deadline.astimezone(zone) if request.deadline else None,
        first_article=request.first_article,
        terms=_terms(request, assumed),
        seed=request.seed,
        rule_sets=request.rule_sets,
        readouts=tuple(
            Readout(item.name, item.x_mm, item.y_mm, item.diameter_mm) for item in request.readouts
        ),
        good_parts_confidence=0.01
        * assumed.number(None, "good_parts_confidence_percent", "plan.good_parts_confidence"),
    )
    _tell_review(assumed)
    _check_variants(job, request)
    return job, layout.assumptions + tuple(assumed.told)


class _Assumptions:
    """Defaults of the catalogue, each told once when it is used."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self.told: list[Assumption] = []

    def tell(self, what: str, value: str, why: str, source: str) -> None:
        self.told.append(Assumption(what=what, value=value, why=why, source=source))

    def number(self, asked: float | None, key: str, what: str) -> float:
        """The asked number, or the default of that key, told."""
        if asked is not None:
            return asked
        default = self.catalogue.defaults[key]
        assert isinstance(default, Quantity), key
        self.tell(what, f"{default.value:g} {default.unit}".strip(), default.note, default.source)
        return default.value

    def word(self, asked: str | None, key: str, what: str) -> str:
        """The asked word, or the default of that key, told."""
        if asked is not None:
            return asked
        default = self.catalogue.defaults[key]
        assert isinstance(default, Fact), key
        self.tell(what, str(default.value) or "none", default.note, default.source)
        return str(default.value)


def _check_routes(request: QuoteRequest, catalogue: Catalogue) -> None:
    faults = [
        Fault(
            f"There is no route {route!r}.",
            f"Use one of {', '.join(sorted(catalogue.routes))}.",
            pointer=f"#/routes/{index}",
        )
        for index, route in enumerate(request.routes)
        if route not in catalogue.routes
    ]
    if faults:
        raise UnknownName(*faults)


def _check_machines(request: QuoteRequest, catalogue: Catalogue) -> None:
    """Each machine that a variant names is there."""
    for index, wish in enumerate(request.variants):
        for key, name in wish.machines.items():
            _entry(catalogue, BENCH_KINDS[key], name, f"#/variants/{index}/{key}")


def _check_rule_sets(request: QuoteRequest, catalogue: Catalogue) -> None:
    known = rule_sets(catalogue)
    faults = [
        Fault(
            f"There is no set of rules {name!r}.",
            f"Use one of {', '.join(known)}.",
            pointer=f"#/rule_sets/{index}",
        )
        for index, name in enumerate(request.rule_sets)
        if name not in known
    ]
    if faults:
        raise UnknownName(*faults)


def _check_variants(job: Job, request: QuoteRequest) -> None:
    """Each variant that the request names is one that some asked route can build."""
    known = load_routes(job.catalogue)
    routes = [known[route_id] for route_id in request.routes or sorted(known)]
    faults = [
        _no_such_variant(job, routes, wish, f"#/variants/{index}")
        for index, wish in enumerate(request.variants)
        if not any(asked_builds(route, job, (wish,)) for route in routes)
    ]
    if faults:
        raise RequestInvalid(*faults)


def _no_such_variant(job: Job, routes: list[Route], wish: VariantRequest, pointer: str) -> Fault:
    """What could be built instead, on the machine that the variant names where a route works on it."""
    anywhere = VariantRequest(printer=wish.printer, mould=wish.mould)
    on_machine = [build for route in routes for build in asked_builds(route, job, (anywhere,))]
    if not on_machine:
        keys = sorted({route.made_on for route in routes if route.made_on})
        return Fault(
            f"No asked route is made on {' and '.join(wish.machines)} of one variant.",
            f"Give a variant one of {', '.join(keys)}, or ask for other routes.",
            pointer=pointer,
        )
    variants = {build.variant for build in on_machine}
    known = sorted({item.cure or f"orientation {item.orientation_deg:g}°" for item in variants})
    return Fault(
        "No asked route can build this variant on this bench.",
        f"Use one of {', '.join(known)}, or leave it out to have all of them looked at.",
        pointer=pointer,
    )


def _on_every_variant(request: QuoteRequest, key: str) -> str | None:
    """The first machine of that key that the variants name, if none of them needs the bench's."""
    named = [wish.machines[key] for wish in request.variants if key in wish.machines]
    return named[0] if named and len(named) == len(request.variants) else None


def _bench(request: QuoteRequest, assumed: _Assumptions) -> Bench:
    unknown = sorted(set(request.bench) - set(BENCH_KINDS))
    if unknown:
        raise RequestInvalid(
            *(
                Fault(
                    f"A bench holds no {key!r}.",
                    f"Use one of {', '.join(BENCH_KINDS)}.",
                    pointer=f"#/bench/{key}",
                )
                for key in unknown
            )
        )
    missing = [key for key in _NEEDED if key in request.bench and not request.bench[key]]
    if missing:
        raise RequestInvalid(
            *(
                Fault(
                    f"A bench without a {key.replace('_', ' ')} cannot be planned for.",
                    f"Name one of the {BENCH_KINDS[key]} of catalogue or bench, or leave it out to take the "
                    "default; null says that the bench lacks a machine.",
                    pointer=f"#/bench/{key}",
                )
                for key in missing
            )
        )
    items: dict[str, Entry | None] = {}
    for key, kind in BENCH_KINDS.items():
        if key in request.bench:
            name = request.bench[key]
        else:
            # a default that no variant is looked at on would be told in vain
            name = assumed.word(_on_every_variant(request, key), key, f"bench.{key}")
        items[key] = _entry(assumed.catalogue, kind, name, f"#/bench/{key}") if name else None
    return Bench(items)


def _tell_profiles(
    filled_in: tuple[FilledIn, ...], bench: Bench, request: QuoteRequest, assumed: _Assumptions
) -> None:
    """What the profile of a printer that is looked at leaves open."""
    own = bench.items.get("printer")
    used = {wish.printer for wish in request.variants} | {own.name if own else None}
    for item in filled_in:
        if item.printer in used:
            value = item.value
            assumed.tell(
                f"printers.{item.printer}.{item.key}",
                f"{value.value:.3g} {value.unit}".removesuffix(" 1"),
                value.note,
                value.source,
            )


def _check_passivation(bench: Bench) -> None:
    recipe = bench.items.get("passivation")
    if recipe is not None and recipe.fact("purpose") != "passivation":
        raise RequestInvalid(
            Fault(
                f"{recipe.title} is a recipe for {recipe.fact('purpose')}, not for passivation.",
                "Name a recipe whose purpose is passivation.",
                pointer="#/bench/passivation",
            )
        )


def _entry(catalogue: Catalogue, kind: str, name: str, pointer: str) -> Entry:
    try:
        return catalogue.get(kind, name)
    except UnknownEntry as error:
        raise UnknownName(
            Fault(
                f"Among the {kind.replace('_', ' ')} of catalogue and bench there is no {name!r}.",
                f"Use one of {', '.join(error.known)}, or add it to the bench.",
                pointer=pointer,
            )
        ) from error


def _with_depths(layout: Layout, request: QuoteRequest) -> Layout:
    names = {layer.name for layer in layout.channel_layers}
    engraved = {layer.name for layer in layout.with_role(Role.MARKS)}
    stray = sorted(set(request.depths_um) - names - engraved - {EVERY_CHANNEL_LAYER})
    if stray:
        raise RequestInvalid(
            *(
                Fault(
                    f"The layout has no channel layer {name!r}.",
                    f"Its channel layers are {', '.join(sorted(names))}; "
                    f"{EVERY_CHANNEL_LAYER!r} stands for all of them.",
                    pointer=f"#/depths_um/{escaped(name)}",
                )
                for name in stray
            )
        )
    layers, missing = [], []
    for layer in layout.layers:
        if layer.name in names:
            everywhere = request.depths_um.get(EVERY_CHANNEL_LAYER, layer.depth_um)
            depth = request.depths_um.get(layer.name, everywhere)
            if depth is None:
                missing.append(layer.name)
            layer = replace(layer, depth_um=depth)
        layers.append(layer)
    if missing:
        raise RequestInvalid(
            *(
                Fault(
                    f"Channel layer {name!r} has no depth.",
                    f'Give it in the request, for instance "depths_um": {{"{name}": 150}}.',
                    pointer="#/depths_um",
                    where=f"layer {name!r}",
                )
                for name in missing
            )
        )
    return replace(layout, layers=tuple(layers))


def _with_mark_depths(layout: Layout, request: QuoteRequest, assumed: _Assumptions) -> Layout:
    """Marks as deep as the request or the drawing says, or the default, told for each layer."""
    layers = []
    for layer in layout.layers:
        if layer in layout.mark_layers:
            asked = request.depths_um.get(layer.name, layer.depth_um)
            depth_um = assumed.number(asked, "mark_depth_um", f"depths_um.{layer.name}")
            layer = replace(layer, depth_um=depth_um)
        layers.append(layer)
    return replace(layout, layers=tuple(layers))


def _with_levels(layout: Layout, request: QuoteRequest) -> Layout:
    names = sorted(layer.name for layer in layout.channel_layers)
    faults = [
        Fault(
            f"The layout has no channel layer {name!r}.",
            f"Its channel layers are {', '.join(names)}.",
            pointer=f"#/levels/{escaped(name)}",
        )
        for name in request.levels
        if name not in names
    ]
    faults += [
        Fault(
            f"The level of {name!r} is {level}.",
            f"Give a whole number from 1 (next to the lid) to {MAX_LEVEL}.",
            pointer=f"#/levels/{escaped(name)}",
        )
        for name, level in request.levels.items()
        if not 1 <= level <= MAX_LEVEL
    ]
    if faults:
        raise RequestInvalid(*faults)
    layers = (
        replace(layer, level=request.levels.get(layer.name, layer.level)) if layer.name in names else layer
        for layer in layout.layers
    )
    return replace(layout, layers=tuple(layers))


def _tell_levels(layout: Layout, request: QuoteRequest, assumed: _Assumptions) -> None:
    """What is taken of channels that overlap: one cavity on one level, a crossing on two."""
    channels = layout.channel_layers
    levels = sorted({layer.level for layer in channels})
    if len(levels) > 1:
        lie = [
            f"level {level} ({', '.join(layer.name for layer in channels if layer.level == level)})"
            for level in levels
        ]
        assumed.tell(
            "levels",
            f"{len(levels)} levels",
            f"From the lid's side down: {', '.join(lie)}. Channels of different levels cross without "
            "meeting; a port is a hole through every level that it touches, and joins them.",
            "the request" if request.levels else "the layout",
        )
    if any(
        one.level == other.level and one.geometry.intersects(other.geometry)
        for one, other in combinations(channels, 2)
    ):
        assumed.tell(
            "layers",
            "one cavity",
            "Channel layers that overlap lie in one plane and are joined; the deeper one counts there."
            if len(levels) == 1
            else "Channel layers of one level that overlap are joined; the deeper one counts there.",
            "common practice, no source",
        )


def _check_ports(layout: Layout) -> None:
    channels = drawn_channels(layout)
    faults = [
        Fault(
            f"Port {port.name!r} touches no channel.",
            f"Move it onto a channel; the nearest is {shapely.distance(port.opening, channels):.3f} mm away.",
            where=f"port {port.name!r} at ({port.centre.x:.3f}, {port.centre.y:.3f}) mm",
        )
        for port in layout.ports
        if not port.opening.intersects(channels)
    ]
    if faults:
        raise LayoutInvalid(*faults)


def _check_readouts(layout: Layout, request: QuoteRequest) -> None:
    channels = drawn_channels(layout)
    faults = []
    for index, item in enumerate(request.readouts):
        place = shapely.Point(item.x_mm, item.y_mm)
        away = shapely.distance(place, channels)
        where = f"read-out {item.name!r} at ({item.x_mm:.3f}, {item.y_mm:.3f}) mm"
        if away > item.diameter_mm / 2.0:
            faults.append(
                Fault(
                    f"Read-out {item.name!r} lies on no channel.",
                    f"Move it onto a channel or chamber; the nearest is {away:.3f} mm from its middle.",
                    pointer=f"#/readouts/{index}",
                    where=where,
                )
            )
        if item.name in [other.name for other in request.readouts[:index]]:
            faults.append(
                Fault(
                    f"Read-out {item.name!r} is given twice.",
                    "Give each read-out a name of its own.",
                    pointer=f"#/readouts/{index}/name",
                )
            )
    if faults:
        raise RequestInvalid(*faults)


def _chip(layout: Layout, request: QuoteRequest, assumed: _Assumptions) -> Chip:
    outline = layout.outline
    if outline is None:
        land = assumed.number(None, "land_mm", "chip.land_mm")
        outline = _outline_around(layout, land)
        assumed.tell(
            "chip.outline",
            "{:.1f} × {:.1f} mm".format(*_extent(outline)),
            "The drawing has no outline: the box around channels and ports, with that land on every side.",
            "common practice, no source",
        )
    lid = assumed.word(request.chip.lid, "lid", "chip.lid")
    viewed_from = assumed.word(request.chip.viewed_from, "viewed_from", "chip.viewed_from")
    faults = [
        Fault(f"{key} cannot be {value!r}.", f"Use one of {', '.join(known)}.", pointer=f"#/chip/{key}")
        for key, value, known in (("lid", lid, LIDS), ("viewed_from", viewed_from, SIDES))
        if value not in known
    ]
    if faults:
        raise UnknownName(*faults)
    return Chip(
        outline=outline,
        thickness_mm=assumed.number(request.chip.thickness_mm, "thickness_mm", "chip.thickness_mm"),
        lid=lid,
        viewed_from=viewed_from,
    )


def _outline_around(layout: Layout, land_mm: float) -> Polygon:
    openings = [port.opening for port in layout.ports]
    x0, y0, x1, y1 = shapely.union_all([drawn_channels(layout), *openings]).bounds
    return shapely.box(x0 - land_mm, y0 - land_mm, x1 + land_mm, y1 + land_mm)


def _extent(outline: Polygon) -> tuple[float, float]:
    x0, y0, x1, y1 = outline.bounds
    return x1 - x0, y1 - y0


def _check_depths(layout: Layout, chip: Chip) -> None:
    faults = [
        Fault(
            f"{layer.role.value.capitalize().rstrip('s')} layer {layer.name!r} is {layer.depth_um:g} µm "
            f"deep, and the chip {chip.thickness_mm:g} mm thick.",
            f"Make the {layer.role.value} shallower than the chip is thick, or the chip thicker.",
            pointer="#/depths_um",
        )
        for layer in (*layout.channel_layers, *layout.mark_layers)
        if not 0.0 < (layer.depth_um or 0.0) < chip.thickness_mm * 1000.0
    ]
    if faults:
        raise RequestInvalid(*faults)


def _use(request: QuoteRequest, assumed: _Assumptions) -> Use:
    name = assumed.word(request.use.liquid, "liquid", "use.liquid")
    liquid = _entry(assumed.catalogue, "liquids", name, "#/use/liquid")
    temperature_c = assumed.number(request.use.temperature_c, "temperature_c", "use.temperature_c")
    bands = assumed.catalogue.rules["light_path"]["bands"]
    faults = [
        Fault(
            f"There is no optics {optic!r}.",
            f"Use one of {', '.join(bands)}.",
            pointer=f"#/use/optics/{index}",
        )
        for index, optic in enumerate(request.use.optics)
        if optic not in bands
    ]
    if not LIQUID_RANGE_C[0] <= temperature_c <= LIQUID_RANGE_C[1]:
        faults.append(
            Fault(
                f"No liquid of the catalogue is looked at at {temperature_c:g} °C.",
                "Give a temperature from {:g} to {:g} °C.".format(*LIQUID_RANGE_C),
                pointer="#/use/temperature_c",
            )
        )
    lines, line_faults = _lines(request, assumed)
    faults += line_faults
    if faults:
        raise RequestInvalid(*faults)
    use = request.use
    viscosity_mpa_s, density_g_per_ml = use.viscosity_mpa_s, use.density_g_per_ml
    return Use(
        liquid=liquid,
        temperature_c=temperature_c,
        viscosity_pa_s=(
            liquids.viscosity_pa_s(liquid, temperature_c)
            if viscosity_mpa_s is None
            else viscosity_mpa_s * 1e-3
        ),
        density_kg_per_m3=(
            liquids.density_kg_per_m3(liquid, temperature_c)
            if density_g_per_ml is None
            else density_g_per_ml * 1e3
        ),
        flow_ul_per_min=assumed.number(request.use.flow_ul_per_min, "flow_ul_per_min", "use.flow_ul_per_min"),
        optics=use.optics,
        max_pressure_kpa=use.max_pressure_kpa,
        diffusivity_m2_per_s=_diffusivity(request, liquid, temperature_c, assumed),
        lines=lines,
        surface_tension_n_per_m=(
            liquids.surface_tension_n_per_m(liquid, temperature_c)
            if use.surface_tension_mn_per_m is None
            else use.surface_tension_mn_per_m * 1e-3
        ),
        purge_ml=use.purge_ml,
        duration_h=use.duration_h,
        humidity_percent=(
            None
            if use.duration_h is None
            else assumed.number(use.humidity_percent, "humidity_percent", "use.humidity_percent")
        ),
        mixed_fraction=use.mixed_fraction,
        notes=_liquid_notes(request, liquid, temperature_c),
    )


def _liquid_notes(request: QuoteRequest, liquid: Entry, temperature_c: float) -> tuple[str, ...]:
    """What to know of the liquid's values: those that the request gives need no warning."""
    asked = {
        "viscosity": request.use.viscosity_mpa_s,
        "density": request.use.density_g_per_ml,
        "surface tension": request.use.surface_tension_mn_per_m,
    }
    given = [what for what, value in asked.items() if value is not None]
    told = (f"The {' and '.join(given)} of the liquid are those of the request.",) if given else ()
    return (*told, *(() if "viscosity" in given else liquids.notes(liquid, temperature_c)))


def _lines(
    request: QuoteRequest, assumed: _Assumptions
) -> tuple[dict[str, tuple[LinePart, ...]], list[Fault]]:
    """What lies between each port and its source, by port, and what is wrong with it."""
    lines: dict[str, tuple[LinePart, ...]] = {}
    faults = []
    for index, port in enumerate(request.ports):
        parts = []
        for place, asked in enumerate(port.line):
            pointer = f"#/ports/{index}/line/{place}"
            if (asked.needle_gauge is None) == (asked.tubing is None):
                count = "neither" if asked.tubing is None else "both"
                faults.append(
                    Fault(
                        f"A part of the line of port {port.name!r} gives {count} of needle_gauge and tubing.",
                        "Give one of them: the gauge of a needle, or the catalogue name of a tube.",
                        pointer=pointer,
                    )
                )
                continue
            parts.append(_part(asked, assumed, f"ports.{port.name}.line", pointer))
        if parts:
            lines[port.name] = tuple(parts)
    return lines, faults


def _part(asked: LineRequest, assumed: _Assumptions, what: str, pointer: str) -> LinePart:
    name = asked.tubing
    if name is None:
        gauges = {
            entry.number("gauge_count"): entry.name
            for entry in assumed.catalogue.of_kind("tubing")
            if entry.has("gauge_count")
        }
        if asked.needle_gauge not in gauges:
            known = ", ".join(f"{gauge:g}" for gauge in sorted(gauges))
            raise UnknownName(
                Fault(
                    f"There is no needle of {asked.needle_gauge}G in the catalogue.",
                    f"Use one of {known}, or add it to /v1/bench/tubing.",
                    pointer=f"{pointer}/needle_gauge",
                )
            )
        name = gauges[asked.needle_gauge]
    entry = _entry(assumed.catalogue, "tubing", name, f"{pointer}/tubing")
    bore = entry.quantity("inner_mm")
    default = "needle_length_mm" if entry.fact("form") == "needle" else "tube_length_mm"
    return LinePart(
        title=entry.title,
        bore_mm=Range(bore.low, bore.value, bore.high),
        length_mm=assumed.number(asked.length_mm, default, f"{what}.{name}.length_mm"),
    )


def _diffusivity(request: QuoteRequest, liquid: Entry, temperature_c: float, assumed: _Assumptions) -> float:
    """The asked one, m²/s, or that of a small dye in the liquid, told."""
    if request.use.diffusivity_m2_per_s is not None:
        return request.use.diffusivity_m2_per_s
    water = assumed.catalogue.get("liquids", "water")
    value = liquids.diffusivity_m2_per_s(liquid, temperature_c, otherwise=water)
    if request.use.viscosity_mpa_s is not None:
        value *= liquids.viscosity_pa_s(liquid, temperature_c) / (request.use.viscosity_mpa_s * 1e-3)
    known = liquid if liquid.has("diffusivity_m2_per_s") else water
    assumed.tell(
        "use.diffusivity_m2_per_s",
        f"{value:.3g} m²/s",
        f"A small dye in {liquid.title} at {temperature_c:g} °C, from that in {known.title} by temperature "
        "over viscosity.",
        known.source_of("diffusivity_m2_per_s"),
    )
    return value


def _tell_mixing(layout: Layout, request: QuoteRequest, assumed: _Assumptions) -> None:
    """What is wanted of liquids that meet, where the request leaves it open."""
    inlets = [port for port in layout.ports if port.role is PortRole.INLET and not port.closed]
    if request.use.mixed_fraction is not None or len(inlets) < 2:
        return
    wanted = assumed.catalogue.rules["mixing"]["wanted_percent"]
    assumed.tell(
        "use.mixed_fraction", f"{wanted['value'] / 100.0:g}", str(wanted["note"]), str(wanted["source"])
    )


def _terms(request: QuoteRequest, assumed: _Assumptions) -> Terms:
    currency = assumed.word(request.currency, "currency", "currency")
    home = str(assumed.catalogue.defaults["currency"].value)  # type: ignore[union-attr]
    if currency != home:
        raise RequestInvalid(
            Fault(
                f"Prices of this catalogue are in {home}, not {currency}.",
                f"Ask for {home}; Rillcast converts no currency on a rate of its own.",
                pointer="#/currency",
            )
        )
    commercial = request.commercial
    return Terms(
        overhead_percent=_percent(None, "overhead", "overhead_percent", assumed),
        margin_percent=_percent(commercial.margin_percent, "margin", "margin_percent", assumed),
        discount_percent=commercial.discount_percent or Decimal(0),
        tax_percent=_percent(commercial.tax_percent, "tax", "tax_percent", assumed),
        currency=currency,
    )


def _tell_review(assumed: _Assumptions) -> None:
    """The plan begins when the layout has been reviewed; that hour is priced, not planned."""
    review = assumed.catalogue.get("rates", "design_review").quantity("review_h")
    if review.value > 0.0:
        assumed.tell(
            "plan.design_review",
            f"{review.value:g} h",
            "The layout is reviewed before the start: charged, but neither in the schedule nor in the "
            "hands-on hours.",
            review.source,
        )


def _percent(asked: Decimal | None, rate: str, key: str, assumed: _Assumptions) -> Decimal:
    if asked is not None:
        return asked
    quantity = assumed.catalogue.get("rates", rate).quantity(key)
    assumed.tell(f"commercial.{key}", f"{quantity.value:g} %", quantity.note, quantity.source)
    return Decimal(str(quantity.value))
