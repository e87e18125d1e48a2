"""GeoJSON as a plan of the chip: coordinates are lengths, not degrees.

A FeatureCollection (or one Feature). Coordinates are mm unless a top-level `units` member or the request
says otherwise; they are kept as they are, x to the right, y up. Properties of a feature:

- `layer`: name or number of its layer; `role`: a layer's role (`channels`, `ports`, `outline`, `marks`),
  which may stand in for the name; so may `fill` or `stroke`, its colour (`#ff0000`), to which a request may
  give a role;
- `depth_um`: depth, on a channel layer; `level`: its plane, 1 next to the lid;
- `name`, `port_role` (`inlet`, `outlet`, `vent`): of a port; its role may stand in `role` too;
- `bore_mm` or `bore_um`: diameter, for a Point on a port layer;
- `width_mm` or `width_um`: width, for a LineString or MultiLineString, which becomes a band with flat ends
  and round corners; a closed one on an outline or port layer stands for what it goes around, and needs none.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import chain
from typing import Any, NoReturn

import numpy as np
import shapely
from shapely import MultiPolygon, Point, Polygon

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnreadable
from rillcast_service.engine.layout.curves import Points, disc_ring, without_repeats
from rillcast_service.engine.layout.lengths import mm_per_unit
from rillcast_service.engine.layout.model import PortRole, RepairKind, Role
from rillcast_service.engine.layout.options import MAX_LEVEL
from rillcast_service.engine.layout.polygons import JOIN_GRID_MM, mended, multipolygon
from rillcast_service.engine.layout.readers.format import Format
from rillcast_service.engine.layout.sketch import Shape, Sketch, SketchLayer
from rillcast_service.engine.layout.strokes import Pen, stroke

SOURCE = "RFC 7946 for the form; coordinates as lengths by Rillcast's own convention"


def fill(data: bytes, sketch: Sketch) -> None:
    """Read a GeoJSON file into a sketch.

    Args:
        data: the file.
        sketch: takes the shapes, and holds the options and limits.

    Raises:
        LayoutUnreadable: not JSON, or JSON that is not GeoJSON.
        LayoutInvalid: a feature that is not of a usable form.
        LayoutTooComplex: beyond a limit.
    """
    document = _parsed(data)
    if "crs" in document:
        raise LayoutInvalid(
            Fault(
                "The file names a coordinate reference system.",
                "Give plain lengths on the chip and remove the member `crs`.",
                pointer="#/crs",
            )
        )
    scale_mm = _scale(document, sketch)
    for index, feature in enumerate(_features(document)):
        _Feature.read(feature, index, scale_mm, sketch).into_sketch()


FORMAT = Format("geojson", "GeoJSON", "application/geo+json", (".geojson", ".json"), fill)


def _parsed(data: bytes) -> dict[str, Any]:
    try:
        document = json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_without_repeats, parse_constant=_not_a_number
        )
    except UnicodeDecodeError as error:
        raise LayoutUnreadable(
            Fault(f"The file is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.")
        ) from None
    except json.JSONDecodeError as error:
        raise LayoutUnreadable(
            Fault(
                f"The file is not JSON: {error.msg}.",
                "Mend the file, or export it again.",
                where=f"line {error.lineno}, column {error.colno}",
            )
        ) from None
    except RecursionError:
        raise LayoutUnreadable(Fault("The file is nested too deeply.", "Flatten its structure.")) from None
    except ValueError as error:  # a number of too many digits
        raise LayoutUnreadable(Fault(f"The file cannot be read: {error}.", "Mend the file.")) from None
    if not isinstance(document, dict):
        raise LayoutUnreadable(Fault("The file is no GeoJSON object.", "Send a FeatureCollection."))
    return document


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        repeated = next(key for key in members if sum(key == other for other, _ in pairs) > 1)
        raise LayoutUnreadable(Fault(f"An object holds the member {repeated!r} twice.", "Keep one of them."))
    return members


def _not_a_number(constant: str) -> NoReturn:
    raise LayoutInvalid(
        Fault(f"The file holds {constant}, which is no length.", "Give every coordinate as a finite number.")
    )


def _scale(document: Mapping[str, Any], sketch: Sketch) -> float:
    """Millimetres per unit of the coordinates."""
    stated = document.get("units")
    if stated is not None:
        if not isinstance(stated, str):
            raise LayoutInvalid(Fault("`units` is not a word.", "Give `mm`.", pointer="#/units"))
        return mm_per_unit(stated, pointer="#/units")
    if sketch.options.unit is not None:
        return mm_per_unit(sketch.options.unit, pointer="#/unit")
    sketch.assume("unit", "mm", "the file has no `units` member, so coordinates were taken as mm", SOURCE)
    return 1.0


def _features(document: Mapping[str, Any]) -> list[Any]:
    match document.get("type"):
        case "Feature":
            return [document]
        case "FeatureCollection":
            features = document.get("features")
            if isinstance(features, list):
                return features
            raise LayoutUnreadable(
                Fault("`features` is not a list.", "Give a list of Feature objects.", pointer="#/features")
            )
        case other:
            raise LayoutUnreadable(
                Fault(
                    f"The file is no FeatureCollection (its type is {other!r}).",
                    "Send a FeatureCollection whose features have a `layer` property.",
                    pointer="#/type",
                )
            )


@dataclass(frozen=True, slots=True)
class _Feature:
    """One feature while it is being read; `pointer` and `element` say where it stands."""

    geometry: Any
    properties: Mapping[str, Any]
    name: str | None
    layer: SketchLayer
    element: str
    pointer: str
    scale_mm: float
    sketch: Sketch

    @classmethod
    def read(cls, feature: Any, index: int, scale_mm: float, sketch: Sketch) -> _Feature:
        pointer = f"#/features/{index}"
        sketch.tally.element()
        if not isinstance(feature, dict) or feature.get("type") != "Feature":
            raise LayoutInvalid(
                Fault("A member of `features` is no Feature.", "Give Feature objects.", pointer=pointer)
            )
        properties = feature.get("properties") or {}
        if not isinstance(properties, dict):
            raise LayoutInvalid(
                Fault("`properties` is no object.", "Give an object.", pointer=f"{pointer}/properties")
            )
        name = properties.get("name", feature.get("id"))
        element = f"feature {index}" + (f" ({name})" if name is not None else "")
        layer = _layer(properties, pointer, element, sketch)
        label = None if name is None else str(name)
        return cls(feature.get("geometry"), properties, label, layer, element, pointer, scale_mm, sketch)

    def into_sketch(self) -> None:
        """Add the feature's area to its layer."""
        if self.layer.role is Role.IGNORED:
            self.layer.passed_over += 1
            return
        try:
            areas = self._areas(self.geometry, f"{self.pointer}/geometry", depth=0)
            port_role = self._port_role()
        except LayoutInvalid as error:
            self.sketch.refuse(self.layer, error)
            return
        for area in areas:
            self.sketch.add(self.layer, Shape(self.element, area, name=self.name, port_role=port_role))

    def _port_role(self) -> PortRole | None:
        # `role` may be the layer's, so that `port_role` goes before it.
        key = "port_role" if "port_role" in self.properties else "role"
        stated = self.properties.get(key)
        if self.layer.role is not Role.PORTS or stated is None or (key == "role" and stated in tuple(Role)):
            return None
        if stated not in tuple(PortRole):
            raise self._fault(
                f"{stated!r} is no role of a port.",
                f"Give one of {', '.join(PortRole)}.",
                f"{self.pointer}/properties/{key}",
            )
        return PortRole(stated)

    def _areas(self, geometry: Any, pointer: str, *, depth: int) -> list[Polygon | MultiPolygon]:
        self.sketch.tally.nesting(depth)
        if not isinstance(geometry, dict):
            raise self._fault("A feature has no geometry.", "Give a GeoJSON geometry.", pointer)
        kind = geometry.get("type")
        if kind == "GeometryCollection":
            members = geometry.get("geometries")
            if not isinstance(members, list):
                raise self._fault("`geometries` is not a list.", "Give a list.", f"{pointer}/geometries")
            areas: list[Polygon | MultiPolygon] = []
            for index, member in enumerate(members):
                self.sketch.tally.element()
                areas += self._areas(member, f"{pointer}/geometries/{index}", depth=depth + 1)
            return areas
        readers: dict[str, Callable[[Any, str], Polygon | MultiPolygon]] = {
            "Polygon": self._polygon,
            "LineString": self._band,
            "Point": self._hole,
        }
        base = str(kind).removeprefix("Multi")
        if base not in readers:
            raise self._fault(
                f"{kind!r} is no kind of geometry that is read.",
                "Give a Polygon, LineString or Point, or several of them.",
                f"{pointer}/type",
            )
        coordinates, pointer = geometry.get("coordinates"), f"{pointer}/coordinates"
        if kind == base:
            return [readers[base](coordinates, pointer)]
        if not isinstance(coordinates, list):
            raise self._fault("The coordinates are not a list.", "Give a list.", pointer)
        return [readers[base](part, f"{pointer}/{index}") for index, part in enumerate(coordinates)]

    def _polygon(self, coordinates: Any, pointer: str) -> Polygon | MultiPolygon:
        if not isinstance(coordinates, list) or not coordinates:
            raise self._fault("A polygon has no rings.", "Give at least an outer ring.", pointer)
        rings = [self._ring(ring, f"{pointer}/{index}") for index, ring in enumerate(coordinates)]
        shell, *holes = map(shapely.linearrings, rings)
        polygon: Polygon = shapely.polygons(shell, holes or None)
        if shapely.is_valid(polygon):
            return polygon
        self.sketch.tally.crossing(rings, where=self._where())
        whole = mended(polygon)
        self.sketch.repaired(
            RepairKind.SELF_CROSSING,
            f"{self.element}: a polygon that crosses or touches itself was mended",
            layer=self.layer.name,
            area_before_mm2=polygon.area,
            after=whole,
        )
        return whole

    def _ring(self, coordinates: Any, pointer: str) -> Points:
        """A ring in mm, shape (n, 2), closed as RFC 7946, §3.1.6 asks: its last point is its first."""
        points = self._points(coordinates, pointer)
        apart_mm = float(np.hypot(*(points[-1] - points[0])))
        if apart_mm > 0.0:
            meant_to_meet = apart_mm <= self.sketch.options.closing_um / 1e3
            points = np.vstack([points[:-1] if meant_to_meet else points, points[:1]])
        if len(points) < 4:
            raise self._fault(
                "A ring has fewer than four points.", "Repeat the first point at the end of a ring.", pointer
            )
        if apart_mm > JOIN_GRID_MM:
            self.sketch.tally.crossing([points], where=self._where())
            self.sketch.repaired(
                RepairKind.UNCLOSED,
                f"{self.element}: a ring was closed; its last point lies {apart_mm:.3g} mm from its first",
                layer=self.layer.name,
                area_before_mm2=0.0,
                after=mended(Polygon(points)),
                place=Point(points[0]),
            )
        return points

    def _band(self, coordinates: Any, pointer: str) -> MultiPolygon:
        points = self._points(coordinates, pointer)
        if len(points) < 2:
            raise self._fault("A line has fewer than two points.", "Give two or more.", pointer)
        if self.layer.role in (Role.OUTLINE, Role.PORTS):
            ring = self.sketch.closed(points, layer=self.layer, element=self.element)
            if ring is not None:
                return self.sketch.filled([ring], "nonzero", layer=self.layer, element=self.element)
        width_mm = self._length("width", "A line has an area only when its width is given")
        self.sketch.tally.crossing([points], where=self._where())
        points = without_repeats(points, closer_than=0.0)
        closed = len(points) > 3 and np.array_equal(points[0], points[-1])
        band = stroke(
            points[:-1] if closed else points,
            closed=closed,
            pen=Pen(width_mm, cap="butt", join="round"),
            tolerance=self.sketch.options.flattening_um / 1e3,
        )
        self.sketch.tally.vertex(int(shapely.get_num_coordinates(band)))
        return multipolygon(band)

    def _hole(self, coordinates: Any, pointer: str) -> MultiPolygon:
        if self.layer.role not in (Role.PORTS, None):
            raise self._fault(
                f"A point has no area on layer {self.layer.name!r}.",
                "Use points on a port layer only; draw other shapes as polygons.",
                pointer,
            )
        ((x, y),) = self._points([coordinates], pointer)
        bore_mm = self._length("bore", "A point is a port only when its bore is given")
        ring = disc_ring(x, y, diameter_mm=bore_mm, flattening_um=self.sketch.options.flattening_um)
        self.sketch.tally.vertex(len(ring))
        return MultiPolygon([Polygon(ring)])

    def _points(self, coordinates: Any, pointer: str) -> Points:
        """Positions in mm, shape (n, 2), n ≥ 1."""
        if not isinstance(coordinates, list) or not coordinates:
            raise self._fault("The coordinates are not a list of positions.", "Give positions.", pointer)
        self.sketch.tally.vertex(len(coordinates))
        points = _flat_positions(coordinates, self.scale_mm)
        if points is None:
            # One by one, to find which is wrong; a flat height of 0 is not.
            points = np.array(
                [self._position(position, f"{pointer}/{index}") for index, position in enumerate(coordinates)]
            )
        self.sketch.tally.reach(points, where=f"{self._where()}, {pointer}")
        return points

    def _position(self, position: Any, pointer: str) -> tuple[float, float]:
        numbers = isinstance(position, list) and all(
            isinstance(number, int | float) and not isinstance(number, bool) for number in position
        )
        if not numbers or len(position) not in (2, 3):
            raise self._fault("A position is not two numbers.", "Give [x, y] in the file's unit.", pointer)
        if len(position) == 3 and position[2] != 0:
            raise self._fault("A position has a height.", "Give a flat plan, [x, y].", pointer)
        try:
            x, y = float(position[0]) * self.scale_mm, float(position[1]) * self.scale_mm
        except OverflowError:
            x = y = math.inf
        if not (math.isfinite(x) and math.isfinite(y)):
            raise self._fault("A coordinate is not finite.", "Give finite numbers.", pointer)
        return x, y

    def _length(self, what: str, why: str) -> float:
        """A length of the properties in mm, under its name in mm or in µm."""
        keys = {f"{what}_mm": 1.0, f"{what}_um": 1e-3}
        given = [key for key in keys if key in self.properties]
        if len(given) != 1:
            names = " or ".join(keys)
            raise self._fault(
                f"{why}: {'two are' if given else 'none is'}.", f"Give {names}.", f"{self.pointer}/properties"
            )
        key = given[0]
        length_mm = _positive(self.properties[key], key, self.pointer, self._where()) * keys[key]
        self.sketch.tally.extent(length_mm, where=self._where())
        return length_mm

    def _where(self) -> str:
        return f"layer {self.layer.name!r}, {self.element}"

    def _fault(self, message: str, remedy: str, pointer: str) -> LayoutInvalid:
        return LayoutInvalid(Fault(message, remedy, pointer=pointer, where=self._where()))


def _flat_positions(coordinates: list[Any], scale_mm: float) -> Points | None:
    """Positions in mm, shape (n, 2); None when not all of them are two finite numbers."""
    if set(map(type, coordinates)) != {list} or set(map(len, coordinates)) != {2}:
        return None
    if not set(map(type, chain.from_iterable(coordinates))) <= {int, float}:
        return None
    try:
        flat = np.fromiter(chain.from_iterable(coordinates), dtype=np.float64, count=2 * len(coordinates))
    except OverflowError:
        return None
    with np.errstate(over="ignore"):
        flat *= scale_mm
    return flat.reshape(-1, 2) if np.isfinite(flat).all() else None


def _layer(properties: Mapping[str, Any], pointer: str, element: str, sketch: Sketch) -> SketchLayer:
    named, stated = properties.get("layer"), properties.get("role")
    layer_role = Role(stated) if stated in tuple(Role) else None
    colours = [c for key in ("fill", "stroke") if isinstance(c := properties.get(key), str)]
    name = next((told for told in (named, layer_role, *colours) if told is not None), None)
    if isinstance(name, int) and not isinstance(name, bool):
        name = str(name)
    if not isinstance(name, str) or not name.strip():
        raise LayoutInvalid(
            Fault(
                "A feature names no layer.",
                "Give the property `layer`, such as `channels`, or `role`, `fill` or `stroke`.",
                pointer=f"{pointer}/properties",
                where=element,
            )
        )
    depth_um = properties.get("depth_um")
    if depth_um is not None:
        depth_um = _positive(depth_um, "depth_um", pointer, f"layer {name!r}, {element}")
    level = properties.get("level")
    if level is not None and (isinstance(level, bool) or level not in range(1, MAX_LEVEL + 1)):
        raise LayoutInvalid(
            Fault(
                f"level is {level!r}.",
                f"Give a whole number from 1 (next to the lid) to {MAX_LEVEL}.",
                pointer=f"{pointer}/properties/level",
                where=f"layer {name!r}, {element}",
            )
        )
    by_colour = [sketch.colour_layer(colour, names=[name]) for colour in colours]
    own = next((layer for layer in by_colour if layer is not None), None)
    if own is not None:
        return sketch.layer(own.name, own.role, depth_um, level and int(level))
    named_role = sketch.named_role([name], layer_role)
    return sketch.layer(name, named_role and named_role[1], depth_um, level and int(level))


def _positive(value: Any, key: str, pointer: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value < math.inf:
        raise LayoutInvalid(
            Fault(
                f"{key} is {value!r}.",
                "Give a number above 0.",
                pointer=f"{pointer}/properties/{key}",
                where=where,
            )
        )
    return float(value)
