"""/v1/layouts: files in, layouts as read out, and files again."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import PurePath
from typing import Any

import shapely
from flask import Blueprint, Response, jsonify, request

from rillcast_service import MODEL_VERSION, __version__
from rillcast_service.api.answers import document, instant, svg
from rillcast_service.api.context import owner, service
from rillcast_service.api.inputs import accepted, in_parameters, parameters, raw_body
from rillcast_service.api.paging import page_answer
from rillcast_service.api.problems import UNSUPPORTED_MEDIA_TYPE, ApiError, invalid, not_found
from rillcast_service.api.schemas import LayoutOptions
from rillcast_service.catalogue.loader import load
from rillcast_service.documents.pictures import layout_picture
from rillcast_service.engine.errors import EngineError, Fault
from rillcast_service.engine.layout.model import Layout
from rillcast_service.engine.layout.options import ReadOptions
from rillcast_service.engine.layout.readers import MEDIA_TYPES
from rillcast_service.engine.layout.readers.format import looks_like
from rillcast_service.engine.layout.serial import layout_from_json
from rillcast_service.engine.layout.writers import MEDIA_TYPES as WRITTEN
from rillcast_service.engine.layout.writers import written
from rillcast_service.engine.preparing import EVERY_CHANNEL_LAYER
from rillcast_service.engine.result import as_json
from rillcast_service.store.rows import LayoutRow

blueprint = Blueprint("layouts", __name__, url_prefix="/v1/layouts")

UNNAMED = "Unnamed layout"

#: First steps of a reader's JSON pointers that are about options and not about the file.
_OPTIONS = {field.name for field in fields(ReadOptions)}

#: What file systems or shells take amiss in a file's name.
_UNSAFE_IN_NAMES = re.compile(r'[\x00-\x1f\x7f-\x9f/\\:*?"<>|]+')
_LONGEST_FILE_NAME = 100


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


@blueprint.get("/<id:layout_id>/file")
def get_layout_file(layout_id: str) -> Response:
    """The layout as a drawing again, mended."""
    row = known_layout(layout_id)
    media_type = accepted(*WRITTEN)
    # A layout never changes, but a later version may write it in another way.
    etag = hashlib.sha256(f"{row.digest} {media_type} {__version__} {MODEL_VERSION}".encode()).hexdigest()
    fresh = etag in request.if_none_match
    body = b"" if fresh else written(layout_from_json(row.layout), media_type=media_type)
    response = document(body, media_type)
    response.set_etag(etag)
    response.cache_control.private = True
    response.cache_control.no_cache = True
    response.vary.add("Accept")
    name = file_name(row.name, WRITTEN[media_type].suffix)
    response.headers.set("Content-Disposition", "attachment", filename=name)
    response.make_conditional(request)
    return response


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


def read_upload(upload: Upload) -> dict[str, Any]:
    """The layout of an upload, as `engine.layout.serial` writes it, read in a process apart.

    Raises:
        EngineError: it says what is wrong with file or options, or which limit its reading met.
    """
    given = reading_options(upload)
    try:
        layout = service().readers.read(
            upload.body,
            media_type=upload.media_type,
            name=upload.name,
            given=given,
            bytes_limit=service().settings.max_body_bytes,
        )
    except EngineError as error:
        raise type(error)(*map(_place, error.faults)) from None
    assumed = ReadOptions.assumed(load().defaults, *given)
    return {**layout, "assumptions": [*layout["assumptions"], *as_json(assumed)]}


def reading_options(upload: Upload) -> dict[str, Any]:
    """The options of an upload by the names that `ReadOptions` has for them."""
    given = {key: value for key, value in upload.options.items() if key not in ("name", "depth_um", "leave")}
    if "depth_um" in upload.options:
        given["depths_um"] = {EVERY_CHANNEL_LAYER: upload.options["depth_um"]}
    if "leave" in upload.options:
        given["leave"] = upload.options["leave"]
    return given


def keep(upload: Upload, layout: dict[str, Any] | None = None) -> tuple[LayoutRow, bool]:
    """Keep the layout of an upload, once for the same bytes and options.

    Args:
        upload: the file and its options.
        layout: as `read_upload` reads it; read here when it does not come along.

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
        layout=layout,
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
        "options": {key: value for key, value in row.options.items() if key != "name"},
        "layers": [
            {
                "name": layer.name,
                "role": layer.role.value,
                "depth_um": layer.depth_um,
                "area_mm2": round(layer.geometry.area, 6),
                "shapes": layer.shapes,
                "level": layer.level,
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
                "guessed": port.guessed,
            }
            for port in layout.ports
        ],
        "repairs": as_json(layout.repairs),
        "assumptions": as_json(layout.assumptions),
        "corrected_from": row.corrected_from,
        "created_at": instant(row.created_at),
        "links": {"self": _path(row), "picture": f"{_path(row)}/picture", "file": f"{_path(row)}/file"},
    }


def file_name(name: str, suffix: str) -> str:
    """What to call a layout's file: its name without what file systems take amiss, and the suffix.

    Args:
        name: of the layout; the suffix of the file that it came as is taken off.
        suffix: of the format, with the dot.
    """
    known = {known for form in MEDIA_TYPES.values() for known in form.suffixes}
    if PurePath(name).suffix.lower() in known:
        name = PurePath(name).stem
    safe = _UNSAFE_IN_NAMES.sub("_", name)[:_LONGEST_FILE_NAME].strip(" ._")
    return (safe or "layout") + suffix


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
    part_name = PurePath((file.filename or "").replace("\\", "/")).name[:200]
    part_name = "".join(letter for letter in part_name if letter.isprintable())
    body = file.stream.read()
    return Upload(
        body=body,
        media_type=_part_type(body, file.mimetype, part_name),
        options=options,
        file_name=part_name or None,
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
    titles = ", ".join(f"{form.title} ({media_type})" for media_type, form in MEDIA_TYPES.items())
    return ApiError(
        UNSUPPORTED_MEDIA_TYPE,
        f"{what}; send one of {', '.join(MEDIA_TYPES)}.",
        remedy=f"Save the drawing in one of these formats, and send it with its Content-Type: {titles}.",
        where="header Content-Type",
    )


def _no_layout(layout_id: str) -> ApiError:
    remedy = "Send the file to POST /v1/layouts again; GET /v1/layouts lists the layouts that are kept."
    return not_found(f"layout {layout_id}", remedy)


def _place(fault: Fault) -> Fault:
    """A reader's fault with options told as parameters; `depth_um` is what `depths_um` is here."""
    pointer = fault.pointer or ""
    if pointer.removeprefix("#/").partition("/")[0] not in _OPTIONS:
        return fault
    return in_parameters(replace(fault, pointer=pointer.replace("depths_um/channels", "depth_um")))
