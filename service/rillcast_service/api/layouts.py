"""/v1/layouts: files in, layouts as read out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any

import shapely
from flask import Blueprint, Response, jsonify, request

from rillcast_service import MODEL_VERSION
from rillcast_service.api.answers import instant, svg
from rillcast_service.api.context import owner, service
from rillcast_service.api.inputs import accepted, in_parameters, parameters, raw_body
from rillcast_service.api.paging import page_answer
from rillcast_service.api.problems import UNSUPPORTED_MEDIA_TYPE, ApiError, invalid, not_found
from rillcast_service.api.schemas import LayoutOptions
from rillcast_service.catalogue.loader import load
from rillcast_service.documents.pictures import layout_picture
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.engine.layout.limits import Limits
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import MEDIA_TYPES, read
from rillcast_service.engine.layout.readers.format import looks_like
from rillcast_service.engine.layout.serial import layout_from_json, layout_to_json
from rillcast_service.engine.preparing import EVERY_CHANNEL_LAYER
from rillcast_service.engine.result import as_json
from rillcast_service.store.rows import LayoutRow

blueprint = Blueprint("layouts", __name__, url_prefix="/v1/layouts")

UNNAMED = "Unnamed layout"

#: JSON pointers of a reader that are about options and not about the file.
_OPTION_POINTERS = ("#/unit", "#/roles", "#/depths_um", "#/flattening_um")


@dataclass(frozen=True, slots=True)
class Upload:
    """A layout file as it came in.

    Args:
        options: as `schemas.LayoutOptions` loads them.
        file_name: of the part of a form; None for a raw body.
    """

    body: bytes
    media_type: str
    options: Mapping[str, Any]
    file_name: str | None = None

    @property
    def name(self) -> str:
        """The layout's name for people."""
        return str(self.options.get("name") or self.file_name or UNNAMED)


@blueprint.post("")
def create_layout() -> tuple[Response, int]:
    """Read a file and keep the layout."""
    row, created = keep(_received())
    response = jsonify(layout_resource(row))
    response.headers["Location"] = _path(row)
    return response, 201 if created else 200


@blueprint.get("")
def list_layouts() -> Response:
    """A page of the owner's layouts."""
    store = service().store
    return page_answer(
        lambda limit, cursor: store.list_layouts(owner(), limit=limit, cursor=cursor), layout_resource
    )


@blueprint.get("/<id:layout_id>")
def get_layout(layout_id: str) -> dict[str, Any]:
    """One layout."""
    return layout_resource(known_layout(layout_id))


@blueprint.delete("/<id:layout_id>")
def delete_layout(layout_id: str) -> tuple[str, int]:
    """Forget a layout."""
    if not service().store.delete_layout(owner(), layout_id):
        raise _no_layout(layout_id)
    return "", 204


@blueprint.get("/<id:layout_id>/picture")
def get_layout_picture(layout_id: str) -> Response:
    """The layout as it was read."""
    accepted("image/svg+xml")
    return svg(layout_picture(layout_from_json(known_layout(layout_id).layout)))


def known_layout(layout_id: str) -> LayoutRow:
    """A layout of the owner. Raises ApiError: 404."""
    row = service().store.get_layout(owner(), layout_id)
    if row is None:
        raise _no_layout(layout_id)
    return row


def read_upload(upload: Upload) -> Layout:
    """The layout of an upload. Raises EngineError: it says what is wrong with file or options."""
    depth_um = upload.options.get("depth_um")
    try:
        options = ReadOptions.from_defaults(
            load().defaults,
            unit=upload.options.get("unit"),
            roles=upload.options.get("roles", {}),
            depths_um={} if depth_um is None else {EVERY_CHANNEL_LAYER: depth_um},
            limits=Limits(bytes_count=service().settings.max_body_bytes),
        )
        return read(upload.body, media_type=upload.media_type, name=upload.name, options=options)
    except EngineError as error:
        raise type(error)(*map(_place, error.faults)) from None


def keep(upload: Upload, layout: Layout | None = None) -> tuple[LayoutRow, bool]:
    """Keep the layout of an upload, once for the same bytes and options.

    Args:
        upload: the file and its options.
        layout: as read from it; read here when it does not come along.

    Returns:
        The row, and whether it is new.

    Raises:
        EngineError: the file is refused; nothing is kept.
    """
    layout = layout or read_upload(upload)
    options = {**upload.options, "name": upload.name}
    told = json.dumps([MODEL_VERSION, upload.media_type, options], sort_keys=True)
    digest = hashlib.sha256(told.encode() + b"\0" + upload.body).hexdigest()
    return service().store.add_layout(
        owner(),
        digest=digest,
        name=upload.name,
        media_type=upload.media_type,
        source=upload.body,
        options=options,
        layout=layout_to_json(layout),
    )


def layout_resource(row: LayoutRow) -> dict[str, Any]:
    """A layout as the contract shows it."""
    layout = layout_from_json(row.layout)
    min_x, min_y, max_x, max_y = _bounds_mm(layout)
    return {
        "layout_id": row.layout_id,
        "name": row.name,
        "source_format": layout.source_format,
        "bounds_mm": {"min_x_mm": min_x, "min_y_mm": min_y, "max_x_mm": max_x, "max_y_mm": max_y},
        "flattening_um": layout.flattening_um,
        "layers": [
            {
                "name": layer.name,
                "role": layer.role.value,
                "depth_um": layer.depth_um,
                "area_mm2": round(layer.geometry.area, 6),
                "shapes": layer.shapes,
            }
            for layer in layout.layers
        ],
        "ports": [
            {
                "name": port.name,
                "role": port.role.value,
                "x_mm": round(port.centre.x, 6),
                "y_mm": round(port.centre.y, 6),
                "bore_mm": port.bore_mm,
                "flow_ul_per_min": port.flow_ul_per_min,
                "pressure_kpa": port.pressure_kpa,
                "closed": port.closed,
            }
            for port in layout.ports
        ],
        "repairs": as_json(layout.repairs),
        "assumptions": as_json(layout.assumptions),
        "created_at": instant(row.created_at),
        "links": {"self": _path(row), "picture": f"{_path(row)}/picture"},
    }


def _path(row: LayoutRow) -> str:
    return f"/v1/layouts/{row.layout_id}"


def _bounds_mm(layout: Layout) -> list[float]:
    geometries = [
        *(layer.geometry for layer in layout.layers),
        *(port.opening for port in layout.ports),
        *([layout.outline] if layout.outline else []),
    ]
    drawn = [geometry for geometry in geometries if not geometry.is_empty]
    return [round(float(edge), 6) for edge in shapely.total_bounds(drawn)]


def _received() -> Upload:
    """The file of this request: its body, or the part `file` of its form."""
    if request.mimetype == "multipart/form-data":
        return _from_form()
    if request.mimetype not in MEDIA_TYPES:
        raise _unsupported(f"{request.mimetype or 'A body without Content-Type'} cannot be read as a layout")
    options = parameters(LayoutOptions(), request.args.to_dict(flat=False))
    return Upload(body=raw_body(), media_type=request.mimetype, options=options)


def _from_form() -> Upload:
    files, given = request.files.to_dict(flat=False), request.form.to_dict(flat=False)
    texts = given.pop("file", [])
    if set(files) - {"file"} or len(files.get("file", ())) + len(texts) != 1:
        found = ", ".join(sorted(files)) or "none"
        raise invalid(
            Fault(
                f"The form does not hold one layout, in the part `file`; its file parts: {found}.",
                "Send the layout as the part `file`.",
                where="part file",
            )
        )
    for name, values in request.args.to_dict(flat=False).items():
        given[name] = given.get(name, []) + values
    options = parameters(LayoutOptions(), given)
    if texts:
        body = texts[0].encode()
        return Upload(body=body, media_type=_part_type(body, "", ""), options=options)
    (file,) = files["file"]
    # Browsers send paths at times, and a name of control characters helps nobody.
    file_name = PurePath((file.filename or "").replace("\\", "/")).name[:200]
    file_name = "".join(letter for letter in file_name if letter.isprintable())
    body = file.stream.read()
    return Upload(
        body=body,
        media_type=_part_type(body, file.mimetype, file_name),
        options=options,
        file_name=file_name or None,
    )


def _part_type(body: bytes, stated: str, file_name: str) -> str:
    """The media type of a form's part: as stated, else by the file name's suffix, else by how it begins."""
    if stated in MEDIA_TYPES:
        return stated
    suffix, beginning = PurePath(file_name).suffix.lower(), looks_like(body)
    by_suffix = [media_type for media_type, form in MEDIA_TYPES.items() if suffix in form.suffixes]
    by_beginning = [media_type for media_type, form in MEDIA_TYPES.items() if form.name == beginning]
    fitting = by_suffix or by_beginning
    if not fitting:
        raise _unsupported(f"The part `file` ({file_name or stated or 'no file name'}) cannot be read")
    return fitting[0]


def _unsupported(what: str) -> ApiError:
    offered = " or ".join(MEDIA_TYPES)
    return ApiError(
        UNSUPPORTED_MEDIA_TYPE,
        f"{what}; send {offered}.",
        remedy=f"Save the drawing in one of these formats, and send its bytes with Content-Type {offered}.",
        where="header Content-Type",
    )


def _no_layout(layout_id: str) -> ApiError:
    remedy = "Send the file to POST /v1/layouts again; GET /v1/layouts lists the layouts that are kept."
    return not_found(f"layout {layout_id}", remedy)


def _place(fault: Fault) -> Fault:
    """A reader's fault with options told as parameters; `depth_um` is what `depths_um` is here."""
    if fault.pointer is None or not fault.pointer.startswith(_OPTION_POINTERS):
        return fault
    return in_parameters(replace(fault, pointer=fault.pointer.replace("depths_um/channels", "depth_um")))
