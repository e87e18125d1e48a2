"""Options of reading a layout file, the same for every command that takes one."""

from __future__ import annotations

import argparse
from typing import Any, cast, get_args

from rillcast.layout_files import LAYOUT_TYPES
from rillcast.models import LayerRole, RepairKind
from rillcast.options import LayoutOptions, Unit

FORMATS = "SVG, DXF, GDSII, OASIS, GeoJSON or WKT"
SUFFIXES = ", ".join(LAYOUT_TYPES)

#: Options whose value is passed on as it is.
_PLAIN = ("unit", "dpi", "cell", "flattening_um", "closing_um", "gap_um", "sliver_um")


def add_reading_options(parser: argparse.ArgumentParser) -> None:
    """`--unit`, `--role`, `--leave` and the others; see `reading_options`."""
    group = parser.add_argument_group("reading the drawing")
    group.add_argument("--unit", choices=get_args(Unit), help="of the drawing, when the file does not say")
    group.add_argument(
        "--dpi", type=int, choices=(96, 90, 72), help="pixels per inch of an SVG drawing in pixels"
    )
    group.add_argument("--cell", metavar="NAME", help="of a mask file, the one that is the chip")
    group.add_argument(
        "--role",
        action="append",
        default=[],
        type=_role,
        metavar="LAYER=ROLE",
        help=f"what a layer is, by its name, number or colour: {', '.join(LayerRole)}; may be repeated",
    )
    group.add_argument(
        "--level",
        action="append",
        default=[],
        type=_level,
        metavar="LAYER=N",
        help="plane of a channel layer, 1 next to the lid; may be repeated",
    )
    group.add_argument(
        "--leave",
        action="append",
        default=[],
        choices=tuple(map(str, RepairKind)),
        metavar="KIND",
        help=f"do not mend: {', '.join(RepairKind)}; may be repeated",
    )
    group.add_argument("--flattening-um", type=float, metavar="D", help="between a curve and its chords")
    group.add_argument("--closing-um", type=float, metavar="D", help="ends this near are joined")
    group.add_argument("--gap-um", type=float, metavar="D", help="channels this near are joined")
    group.add_argument("--sliver-um", type=float, metavar="D", help="what is thinner is removed")


def reading_options(arguments: argparse.Namespace) -> LayoutOptions:
    """What the arguments say about the file; the rest is left to the service."""
    said: dict[str, Any] = {key: getattr(arguments, key) for key in _PLAIN}
    said |= {
        "roles": dict(arguments.role),
        "levels": dict(arguments.level),
        "leave": tuple(dict.fromkeys(arguments.leave)),
    }
    return cast("LayoutOptions", {key: value for key, value in said.items() if value not in (None, {}, ())})


def _role(text: str) -> tuple[str, str]:
    layer, _, role = text.rpartition("=")
    if not layer or role not in tuple(LayerRole):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a layer and its role, such as 'Layer 1=channels' ({', '.join(LayerRole)})"
        )
    return layer, role


def _level(text: str) -> tuple[str, int]:
    layer, _, level = text.rpartition("=")
    if not layer or not level.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is not a layer and its level, such as channels_low=2")
    return layer, int(level)
