"""The layout model: what every reader returns and all the rest works on. Coordinates are mm, y up."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from shapely import MultiPolygon, Point, Polygon


class Role(StrEnum):
    """What a layer of the drawing means."""

    CHANNELS = "channels"
    PORTS = "ports"
    OUTLINE = "outline"
    MARKS = "marks"
    IGNORED = "ignored"


class RepairKind(StrEnum):
    """What kinds of things are mended; each can be switched off."""

    #: An outline that crosses or touches itself: filled by its rule. Switched off: refused.
    SELF_CROSSING = "self_crossing"
    #: An outline or loop whose ends nearly meet: closed. Switched off: refused, or left a line.
    UNCLOSED = "unclosed"
    #: A shape drawn twice: one of them is dropped.
    DUPLICATE = "duplicate"
    #: Shapes that overlap: merged. Switched off: refused, since an area counts once.
    OVERLAP = "overlap"
    #: Shreds and hairs thinner than anything that can be made: removed.
    SLIVER = "sliver"
    #: Channels that nearly touch: joined.
    GAP = "gap"
    #: A layer drawn mirrored or turned against the others: turned back.
    TURNED_LAYER = "turned_layer"
    #: A drawing that lies slightly askew on its sheet: straightened.
    TILT = "tilt"


class PortRole(StrEnum):
    """What a port is for."""

    INLET = "inlet"
    OUTLET = "outlet"
    VENT = "vent"


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of the drawing: valid, merged polygons in mm.

    Args:
        name: as in the file (layer label, group id).
        role: what it means here.
        geometry: union of its shapes, mm; valid, no overlapping parts.
        depth_um: depth of channels or of engraved marks, where it is known; else None.
        shapes: how many shapes of the file went into it.
        level: plane of a channel layer, 1 next to the lid; layers of one level are one cavity where they
            overlap, layers of different levels cross without meeting.
    """

    name: str
    role: Role
    geometry: MultiPolygon
    depth_um: float | None = None
    shapes: int = 0
    level: int = 1


@dataclass(frozen=True, slots=True)
class Port:
    """An opening through which liquid enters or leaves.

    Args:
        name: unique within the layout.
        role: inlet, outlet or vent.
        opening: the hole as drawn, mm.
        bore_mm: diameter of the hole (of the disc of equal area when it is not round).
        flow_ul_per_min, pressure_kpa, closed: the operating point asked of it, at most one of them.
        guessed: whether it was set at the end of a channel because the drawing has no ports.
    """

    name: str
    role: PortRole
    opening: Polygon
    bore_mm: float
    flow_ul_per_min: float | None = None
    pressure_kpa: float | None = None
    closed: bool = False
    guessed: bool = False

    @property
    def centre(self) -> Point:
        """Centre of the opening, mm."""
        return self.opening.centroid


@dataclass(frozen=True, slots=True)
class Assumption:
    """A default that was used because the request or the file left it open.

    Args:
        what: the name of the thing, as a request field where there is one (`depths_um.channels`).
        value: what was taken, as printed with its unit.
        why: the reason, in words.
        source: where the default comes from.
    """

    what: str
    value: str
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class Repair:
    """One thing that was mended while reading.

    Args:
        kind: of the repair, as it is switched off.
        what: in words.
        layer: name of the layer.
        x_mm, y_mm: where.
        area_before_mm2, area_after_mm2: area of the mended shape.
    """

    kind: RepairKind
    what: str
    layer: str
    x_mm: float
    y_mm: float
    area_before_mm2: float
    area_after_mm2: float


@dataclass(frozen=True, slots=True)
class Layout:
    """A chip layout, from whatever file.

    Args:
        name: for people.
        source_format: `svg`, `geojson`, …
        layers: in file order.
        ports: as found in the file (a request may add or change them).
        outline: the chip's edge, mm; None when the file has none.
        flattening_um: largest distance between a drawn curve and its polygon, µm.
        repairs, assumptions: what was mended, and what was guessed.
    """

    name: str
    source_format: str
    layers: tuple[Layer, ...]
    ports: tuple[Port, ...]
    outline: Polygon | None
    flattening_um: float
    repairs: tuple[Repair, ...] = ()
    assumptions: tuple[Assumption, ...] = ()

    def with_role(self, role: Role) -> tuple[Layer, ...]:
        """The layers of one role, in file order."""
        return tuple(layer for layer in self.layers if layer.role is role)

    @property
    def channel_layers(self) -> tuple[Layer, ...]:
        """The layers that hold channels, in file order."""
        return self.with_role(Role.CHANNELS)

    @property
    def mark_layers(self) -> tuple[Layer, ...]:
        """The layers that hold marks, in file order, without those that are empty."""
        return tuple(layer for layer in self.with_role(Role.MARKS) if not layer.geometry.is_empty)
