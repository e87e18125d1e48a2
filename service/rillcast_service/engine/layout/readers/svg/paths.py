"""Path data: the `d` attribute and the `points` attribute. Source: SVG 2, §9.3 and §10.6, appendix B.2."""

from __future__ import annotations

import math
import re

import numpy as np

from rillcast_service.engine.layout.curves import (
    Bezier,
    EllipticArc,
    Points,
    Segment,
    Subpath,
    line,
    polyline,
)
from rillcast_service.engine.layout.readers.svg.faults import Unusable

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_BETWEEN = re.compile(r"[\s,]*")

#: Movetos and linetos of one kind, each subpath closed at its end or not at all.
_POLYLINES = re.compile(
    r"[\s,]*+(?:(?:M[-+.\deE\s,L]*+(?:[Zz][\s,]*+)?+)++"
    r"|(?P<relative>(?:m[-+.\deE\s,l]*+(?:[Zz][\s,]*+)?+)++))"
)

_REMEDY = "Mend the path data, or export the drawing again."


class _Scanner:
    """Reads numbers, flags and commands from path data, and says where it failed."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.position = 0

    def skip(self) -> None:
        match = _BETWEEN.match(self.text, self.position)
        assert match is not None
        self.position = match.end()

    @property
    def at_end(self) -> bool:
        self.skip()
        return self.position == len(self.text)

    @property
    def at_number(self) -> bool:
        self.skip()
        return _NUMBER.match(self.text, self.position) is not None

    def command(self) -> str:
        self.skip()
        letter = self.text[self.position]
        if letter not in "MmZzLlHhVvCcSsQqTtAa":
            raise self.fault("a command letter")
        self.position += 1
        return letter

    def number(self) -> float:
        self.skip()
        match = _NUMBER.match(self.text, self.position)
        value = float(match[0]) if match else math.nan
        if match is None or not math.isfinite(value):
            raise self.fault("a finite number")
        self.position = match.end()
        return value

    def flag(self) -> bool:
        """A single 0 or 1, which need not be set apart from what follows."""
        self.skip()
        digit = self.text[self.position : self.position + 1]
        if digit not in ("0", "1"):
            raise self.fault("0 or 1")
        self.position += 1
        return digit == "1"

    def fault(self, expected: str) -> Unusable:
        rest = self.text[self.position : self.position + 12]
        found = repr(rest) if rest else "the end"
        return Unusable(
            f"The path data should go on with {expected} at character {self.position + 1}, not {found}.",
            _REMEDY,
        )


def parse_path(text: str) -> tuple[Subpath, ...]:
    """The subpaths of path data.

    Args:
        text: the `d` attribute.

    Returns:
        Subpaths in user units; none for empty data.

    Raises:
        Unusable: not of the standard's form, with the place in the text.
    """
    plain = _polylines(text)
    if plain is not None:
        return plain
    scanner, pen = _Scanner(text), _Pen()
    if not scanner.at_end and scanner.text[scanner.position] not in "Mm":
        raise scanner.fault("a moveto (M)")
    while not scanner.at_end:
        letter = scanner.command()
        if letter in "Zz":
            pen.close()
            continue
        pen.draw(letter, scanner)
        while scanner.at_number:
            # Further pairs after a moveto are linetos.
            letter = {"M": "L", "m": "l"}.get(letter, letter)
            pen.draw(letter, scanner)
    pen.lift()
    return tuple(pen.subpaths)


def parse_points(text: str) -> Points | None:
    """The `points` attribute.

    Args:
        text: pairs of numbers.

    Returns:
        Positions, shape (n, 2); None when there are none.

    Raises:
        Unusable: not pairs of finite numbers.
    """
    plain = _pairs([text])
    if plain is not None:
        return plain
    scanner = _Scanner(text)
    numbers: list[float] = []
    while not scanner.at_end:
        numbers.append(scanner.number())
    if len(numbers) % 2:
        raise Unusable("The list of points has an odd count of numbers.", _REMEDY)
    return np.array(numbers).reshape(-1, 2) if numbers else None


def _polylines(text: str) -> tuple[Subpath, ...] | None:
    """Path data of straight lines alone, all absolute or all relative, read at once; None for any other.

    Very large drawings consist of them, and letter by letter they would take the most of the time.
    """
    match = _POLYLINES.fullmatch(text)
    if match is None:
        return None
    is_relative = match["relative"] is not None
    subpaths: list[Subpath] = []
    here = np.zeros(2)
    for piece in text.replace("m", "M").split("M")[1:]:
        body = piece.rstrip(" \t\r\n\f,")
        closed = body[-1:] in ("Z", "z")
        points = _pairs((body[:-1] if closed else body).replace("l", "L").split("L"))
        if points is None:
            return None
        if is_relative:
            points[0] += here
            points = np.cumsum(points, axis=0)
        subpaths.append(polyline(points, closed=closed))
        here = points[0] if closed else points[-1]
    return tuple(subpaths)


def _pairs(texts: list[str]) -> Points | None:
    """Pairs of numbers set apart by spaces or commas, shape (n, 2); None when a text holds anything else."""
    fields = [text.replace(",", " ").split() for text in texts]
    if any(len(numbers) % 2 or not numbers for numbers in fields):
        return None
    try:
        points = np.array([float(number) for numbers in fields for number in numbers]).reshape(-1, 2)
    except ValueError:
        return None
    return points if np.all(np.isfinite(points)) else None


class _Pen:
    """The current point, and what has been drawn so far."""

    def __init__(self) -> None:
        self.subpaths: list[Subpath] = []
        self.start = self.here = np.zeros(2)
        self.segments: list[Segment] = []
        #: Second control point of the last curve, for the smooth ones, with its degree.
        self.control: tuple[int, Points] | None = None
        self.down = False

    def lift(self, *, closed: bool = False) -> None:
        """End the subpath, if one was begun."""
        if self.down:
            self.subpaths.append(Subpath(self.start, tuple(self.segments), closed))
        self.segments, self.control, self.down = [], None, False

    def close(self) -> None:
        """Back to the start; a command that is no moveto then begins a new subpath there."""
        self.lift(closed=True)
        self.here = self.start

    def draw(self, letter: str, scanner: _Scanner) -> None:
        """One command with its numbers."""
        relative, origin = letter.islower(), self.here

        def point() -> Points:
            xy = np.array([scanner.number(), scanner.number()])
            return origin + xy if relative else xy

        match letter.upper():
            case "M":
                end = point()
                self.lift()
                self.start = self.here = end
                self.down = True
            case "L":
                self._add(line(self.here, point()))
            case "H":
                x = scanner.number() + (origin[0] if relative else 0.0)
                self._add(line(self.here, np.array([x, origin[1]])))
            case "V":
                y = scanner.number() + (origin[1] if relative else 0.0)
                self._add(line(self.here, np.array([origin[0], y])))
            case "C":
                self._curve(point(), point(), point())
            case "S":
                self._curve(self._reflected(3), point(), point())
            case "Q":
                self._curve(point(), point())
            case "T":
                self._curve(self._reflected(2), point())
            case "A":
                radius_x, radius_y, degrees = scanner.number(), scanner.number(), scanner.number()
                large, positive = scanner.flag(), scanner.flag()
                self._add(_arc(self.here, point(), radius_x, radius_y, degrees, large, positive))

    def _curve(self, *controls: Points) -> None:
        self._add(Bezier(np.array([self.here, *controls])))
        self.control = len(controls), controls[-2]

    def _reflected(self, degree: int) -> Points:
        """The last curve's control point mirrored at the current point, if it was of this degree."""
        if self.control is None or self.control[0] != degree:
            return self.here
        mirrored: Points = 2.0 * self.here - self.control[1]
        return mirrored

    def _add(self, segment: Segment | tuple[Segment, Points]) -> None:
        if not self.down:
            self.start, self.down = self.here, True
        if isinstance(segment, tuple):
            segment, end = segment
        else:
            assert isinstance(segment, Bezier)
            end = segment.points[-1]
        self.segments.append(segment)
        self.here, self.control = end, None


#: Below this square of half a chord over its radius, the arc strays from its chord by less than the
#: coordinates can tell.
_STRAIGHT = 1e-24


def _arc(
    start: Points, end: Points, radius_x: float, radius_y: float, degrees: float, large: bool, positive: bool
) -> tuple[Segment, Points]:
    """An elliptical arc from its end points. Source: SVG 2, appendix B.2.4 and B.2.5."""
    radius_x, radius_y = abs(radius_x), abs(radius_y)
    if radius_x == 0.0 or radius_y == 0.0 or np.array_equal(start, end):
        return line(start, end), end
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    turn = np.array([[cos, -sin], [sin, cos]])
    radii = np.array([radius_x, radius_y])
    half = turn.T @ (start - end) / 2.0 / radii  # on the unit circle's scale
    distance = float(half @ half)
    if distance < _STRAIGHT and not large:
        return line(start, end), end
    if distance == 0.0:
        raise Unusable("An arc's radius is beyond any drawing.", "Draw a straight line, or a smaller arc.")
    if distance > 1.0:  # radii too small to reach: scaled up until they just do
        radii = radii * math.sqrt(distance)
        half, distance = half / math.sqrt(distance), 1.0
    offset = math.sqrt(max(0.0, 1.0 / distance - 1.0)) * np.array([half[1], -half[0]])
    if large == positive:
        offset = -offset
    centre = turn @ (offset * radii) + (start + end) / 2.0
    first, last = half - offset, -half - offset
    begin = math.atan2(first[1], first[0])
    sweep = math.atan2(last[1], last[0]) - begin
    if positive and sweep < 0.0:
        sweep += 2.0 * math.pi
    elif not positive and sweep > 0.0:
        sweep -= 2.0 * math.pi
    return EllipticArc(centre, turn[:, 0] * radii[0], turn[:, 1] * radii[1], begin, sweep), end


__all__ = ["parse_path", "parse_points", "polyline"]
