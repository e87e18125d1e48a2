"""Ports: what their names say, where a drawing without any has them, and the request's laid over them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

from shapely import MultiPolygon, Polygon

from rillcast_service.catalogue.types import Quantity
from rillcast_service.engine.errors import Fault, RequestInvalid
from rillcast_service.engine.layout.curves import disc_ring
from rillcast_service.engine.layout.model import Assumption, Layout, Port, PortRole
from rillcast_service.engine.layout.pads import Pad, in_reading_order, round_pads
from rillcast_service.engine.request import PortRequest

#: Words in a port's name that say what it is for; without any of them it is an inlet.
ROLE_WORDS: dict[str, PortRole] = {
    **dict.fromkeys(("inlet", "inlets", "in", "inflow", "feed"), PortRole.INLET),
    **dict.fromkeys(
        ("outlet", "outlets", "out", "outflow", "waste", "drain", "exit", "effluent"), PortRole.OUTLET
    ),
    **dict.fromkeys(("vent", "vents", "air", "breather"), PortRole.VENT),
}

GUESS_SOURCE = "Rillcast's table of port names"

#: Guessed holes are given to the hundredth of a millimetre, rounded down.
_BORE_STEPS_PER_MM = 100


def role_from_name(*names: str) -> PortRole:
    """The role that names suggest.

    Args:
        names: of the port, then of its layer.

    Returns:
        That of the first word which tells one; an inlet when none does.
    """
    words = re.findall(r"[a-z]+", " ".join(names).lower())
    return next((ROLE_WORDS[word] for word in words if word in ROLE_WORDS), PortRole.INLET)


def guessed_role(name: str, role: PortRole) -> Assumption:
    """What to report when a role came from a name.

    Args:
        name: of the port.
        role: that it was given.

    Returns:
        The assumption.
    """
    return Assumption(
        what=f"ports.{name}.role",
        value=role.value,
        why="the port states no role, so it was taken from its name",
        source=GUESS_SOURCE,
    )


def bore_mm(opening: Polygon) -> float:
    """The diameter of a hole.

    Args:
        opening: of any shape, mm.

    Returns:
        Diameter of the disc of the same area, to the nanometre.
    """
    return round(math.sqrt(4.0 * opening.area / math.pi), 6)


def guessed_ports(
    planes: Sequence[MultiPolygon], *, bore: Quantity, pad_margin: Quantity, flattening_um: float
) -> tuple[list[Port], list[Assumption]]:
    """Ports where channels end in round pads, for a drawing that has no ports.

    Args:
        planes: joined channels of each plane, mm.
        bore: mm, of a hole in a pad that is wide enough; its range is that of usual holes.
        pad_margin: mm, how much wider than its hole a pad is; at least its low end.
        flattening_um: largest distance between the hole's circle and its polygon.

    Returns:
        The ports in reading order, and what to report about them. A pad narrower than the least hole with
        its margin has none, nor has one wider than the greatest, which is a chamber. Neither have pads of
        two planes at one place, through which the planes are joined.
    """
    found = [round_pads(plane, least_mm=bore.low + pad_margin.low) for plane in planes]
    pads = [
        pad
        for plane, of_plane in enumerate(found)
        for pad in of_plane
        if pad.diameter_mm <= bore.high + pad_margin.high
        and not any(_meet(pad, other) for k, others in enumerate(found) if k != plane for other in others)
    ]
    ports: list[Port] = []
    assumptions: list[Assumption] = []
    for number, pad in enumerate(in_reading_order(pads), start=1):
        name = f"port_{number}"
        widest = max(bore.low, min(bore.value, pad.diameter_mm - pad_margin.value))
        hole_mm = math.floor(widest * _BORE_STEPS_PER_MM) / _BORE_STEPS_PER_MM
        ring = disc_ring(pad.x_mm, pad.y_mm, diameter_mm=hole_mm, flattening_um=flattening_um)
        role = role_from_name(name)
        ports.append(Port(name, role, Polygon(ring), hole_mm, guessed=True))
        assumptions += [
            Assumption(
                what=f"ports.{name}",
                value=f"a hole of {hole_mm:g} mm at ({pad.x_mm:.2f}, {pad.y_mm:.2f}) mm",
                why="the drawing has no ports, and a channel ends there in a round pad "
                f"{pad.diameter_mm:.2f} mm wide; ports that the request places go before it",
                source=bore.source,
            ),
            guessed_role(name, role),
        ]
    return ports, assumptions


def _meet(one: Pad, other: Pad) -> bool:
    apart = math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm)
    return 2.0 * apart < one.diameter_mm + other.diameter_mm


def merge_ports(layout: Layout, requests: tuple[PortRequest, ...]) -> Layout:
    """The layout with the ports of a request.

    A request port of the name of one in the layout changes it: what it leaves open stays as drawn.
    One of any other name adds a round port. Guessed ports step back from added ones: all of them, unless
    the request names one of them; then those that an added port overlaps.

    Args:
        layout: as read.
        requests: ports of the quote request.

    Returns:
        A layout with changed ports first in their old order, new ones after them.

    Raises:
        RequestInvalid: a new port without place or bore, a name given twice, a bore or coordinate that
            cannot be, or more than one operating point; every fault with its pointer.
    """
    faults: list[Fault] = []
    layout = _without_replaced_guesses(layout, requests)
    ports = {port.name: port for port in layout.ports}
    assumptions = list(layout.assumptions)
    seen: set[str] = set()
    for index, request in enumerate(requests):
        pointer = f"#/ports/{index}"
        found = _faults(request, pointer, drawn=ports.get(request.name), known=tuple(ports), seen=seen)
        seen.add(request.name)
        if found:
            faults += found
            continue
        if request.name in ports:
            ports[request.name] = _changed(ports[request.name], request, layout.flattening_um)
        else:
            ports[request.name] = port = _new(request, layout.flattening_um)
            if request.role is None:
                assumptions.append(guessed_role(port.name, port.role))
    if faults:
        raise RequestInvalid(*faults)
    return replace(layout, ports=tuple(ports.values()), assumptions=tuple(assumptions))


def _without_replaced_guesses(layout: Layout, requests: tuple[PortRequest, ...]) -> Layout:
    """The layout without the guessed ports that the request's own ports stand for."""
    names = {request.name for request in requests}
    drawn = {port.name for port in layout.ports}
    added = [request for request in requests if request.name not in drawn]
    guessed = [port for port in layout.ports if port.guessed]
    if not added or not guessed:
        return layout
    if names.isdisjoint(port.name for port in guessed):
        dropped = {port.name for port in guessed}
    else:
        dropped = {
            port.name
            for port in guessed
            if port.name not in names and any(_overlap(port, request) for request in added)
        }
    if not dropped:
        return layout
    about = {what for name in dropped for what in (f"ports.{name}", f"ports.{name}.role")}
    told = Assumption(
        what="ports",
        value=f"guessed ports left out: {', '.join(port.name for port in guessed if port.name in dropped)}",
        why="the request places ports of its own",
        source="what is stated goes before what is guessed",
    )
    return replace(
        layout,
        ports=tuple(port for port in layout.ports if port.name not in dropped),
        assumptions=(*(known for known in layout.assumptions if known.what not in about), told),
    )


def _overlap(port: Port, request: PortRequest) -> bool:
    if request.x_mm is None or request.y_mm is None or request.bore_mm is None:
        return False
    apart = math.hypot(port.centre.x - request.x_mm, port.centre.y - request.y_mm)
    return 2.0 * apart < port.bore_mm + request.bore_mm


def _faults(
    request: PortRequest, pointer: str, *, drawn: Port | None, known: tuple[str, ...], seen: set[str]
) -> list[Fault]:
    name = request.name
    faults: list[Fault] = []
    if not name.strip():
        faults.append(Fault("A port has no name.", "Name the port.", f"{pointer}/name"))
    if name in seen:
        faults.append(
            Fault(f"Port {name!r} is given twice.", "Give each port once.", pointer=f"{pointer}/name")
        )
    values = {"x_mm": request.x_mm, "y_mm": request.y_mm, "bore_mm": request.bore_mm}
    if drawn is None:
        names = ", ".join(known) or "none"
        faults += [
            Fault(
                f"Port {name!r} is not in the layout and lacks {key} to add it.",
                f"Give x_mm, y_mm and bore_mm, or the name of a port of the layout ({names}).",
                pointer=f"{pointer}/{key}",
            )
            for key, value in values.items()
            if value is None
        ]
    elif (request.x_mm is None) != (request.y_mm is None):
        faults.append(
            Fault(
                f"Port {name!r} has one coordinate only.",
                "Give both x_mm and y_mm, or neither.",
                pointer=pointer,
            )
        )
    for key, value in values.items():
        if value is not None and not math.isfinite(value):
            faults.append(Fault(f"{key} of port {name!r} is not a number.", "Give mm.", f"{pointer}/{key}"))
    if request.bore_mm is not None and request.bore_mm <= 0.0:
        faults.append(
            Fault(
                f"The bore of port {name!r} is {request.bore_mm:g} mm.",
                "Give a bore above 0 mm.",
                pointer=f"{pointer}/bore_mm",
            )
        )
    asked = (request.flow_ul_per_min is not None, request.pressure_kpa is not None, request.closed)
    if sum(asked) > 1:
        faults.append(
            Fault(
                f"Port {name!r} has more than one operating point.",
                "Give one of flow_ul_per_min, pressure_kpa or closed.",
                pointer=pointer,
            )
        )
    return faults


def _changed(port: Port, request: PortRequest, flattening_um: float) -> Port:
    opening, bore = port.opening, port.bore_mm
    if request.x_mm is not None or request.bore_mm is not None:
        x = port.centre.x if request.x_mm is None else request.x_mm
        y = port.centre.y if request.y_mm is None else request.y_mm
        bore = port.bore_mm if request.bore_mm is None else request.bore_mm
        opening = Polygon(disc_ring(x, y, diameter_mm=bore, flattening_um=flattening_um))
    changed = replace(port, role=request.role or port.role, opening=opening, bore_mm=bore, guessed=False)
    return _operated(changed, request)


def _new(request: PortRequest, flattening_um: float) -> Port:
    assert request.x_mm is not None
    assert request.y_mm is not None
    assert request.bore_mm is not None
    ring = disc_ring(request.x_mm, request.y_mm, diameter_mm=request.bore_mm, flattening_um=flattening_um)
    role = request.role or role_from_name(request.name)
    return _operated(Port(request.name, role, Polygon(ring), request.bore_mm), request)


def _operated(port: Port, request: PortRequest) -> Port:
    """The port with the request's operating point, when it gives one."""
    if request.flow_ul_per_min is None and request.pressure_kpa is None and not request.closed:
        return port
    return replace(
        port,
        flow_ul_per_min=request.flow_ul_per_min,
        pressure_kpa=request.pressure_kpa,
        closed=request.closed,
    )
