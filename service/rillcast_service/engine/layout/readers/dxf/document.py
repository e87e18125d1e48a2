"""Opening a DXF file: what is counted before it is loaded, and what is recovered of one that is damaged."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable, Iterator, Sequence

from ezdxf import recover
from ezdxf.audit import AuditError
from ezdxf.document import Drawing
from ezdxf.document import logger as library_log
from ezdxf.filemanagement import dxf_stream_info
from ezdxf.lldxf.const import DXFError
from ezdxf.lldxf.encoding import decode_dxf_unicode, has_dxf_unicode
from ezdxf.lldxf.tagger import ascii_tags_loader, binary_tags_loader
from ezdxf.lldxf.types import DXFTag

from rillcast_service.engine.errors import Fault, LayoutUnreadable
from rillcast_service.engine.layout.sketch import Sketch

#: What the library raises on a file that is not as it expects: it trusts what a file says in many places.
LIBRARY_ERRORS = (
    DXFError, ArithmeticError, AssertionError, AttributeError, EOFError, LookupError, RecursionError,
    TypeError, ValueError, struct.error,
)  # fmt: skip

#: What it writes to its log repeats what a file holds. What counts comes with the recovered document.
library_log.disabled = True

BINARY = b"AutoCAD Binary DXF"

_DRAWING_SECTIONS = ("BLOCKS", "ENTITIES")

#: Structure and parts of entities, which are no elements themselves.
_PARTS = {"SECTION", "ENDSEC", "BLOCK", "ENDBLK", "VERTEX", "SEQEND", "EOF"}

#: How many of the library's findings are told.
_FINDINGS = 5


def opened(data: bytes, sketch: Sketch) -> Drawing:
    """A DXF file as the library's document.

    Args:
        data: the file.
        sketch: holds the limits, and is told what was recovered.

    Returns:
        The document. Of a damaged file it is what the library could recover.

    Raises:
        LayoutUnreadable: no DXF, one that is cut off within the drawing, or one that cannot be recovered.
        LayoutTooComplex: more entities or vertices than may be.
    """
    if data.startswith(BINARY):
        return _binary(data, sketch)
    zero = data.find(0)
    if zero >= 0:
        raise _unreadable(f"byte {zero} is zero, which no text holds")
    data = data.removeprefix(b"\xef\xbb\xbf").lstrip().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    _check(_text_structure(data), sketch)
    try:
        header = dxf_stream_info(io.StringIO(data.decode("latin-1")))
        text = io.StringIO(data.decode(header.encoding, errors="surrogateescape"))
        return Drawing.load(_spelled_out(ascii_tags_loader(text)))
    except (*LIBRARY_ERRORS, StopIteration) as error:
        return _recovered(data, str(error), sketch)


def _binary(data: bytes, sketch: Sketch) -> Drawing:
    try:
        tags = list(binary_tags_loader(data, errors="surrogateescape"))
    except LIBRARY_ERRORS as error:
        raise _unreadable(f"its binary tags cannot be read ({error})") from None
    _check(_tag_structure(tags), sketch)
    try:
        return Drawing.load(_spelled_out(tags))
    except LIBRARY_ERRORS as error:
        raise _unreadable(str(error)) from None


def _spelled_out(tags: Iterable[DXFTag]) -> Iterator[DXFTag]:
    """Tags with letters that are written by number (`\\U+00B5`), as layer names may hold them, as letters."""
    for tag in tags:
        is_coded = isinstance(tag.value, str) and "\\U" in tag.value and has_dxf_unicode(tag.value)
        yield DXFTag(tag.code, decode_dxf_unicode(tag.value)) if is_coded else tag


def _recovered(data: bytes, fault: str, sketch: Sketch) -> Drawing:
    try:
        document, auditor = recover.read(io.BytesIO(data))
    except (*LIBRARY_ERRORS, StopIteration):
        raise _unreadable(fault) from None
    findings = [*auditor.errors, *auditor.fixes]
    if any(finding.code == AuditError.INVALID_BLOCK_REFERENCE_CYCLE for finding in findings):
        raise LayoutUnreadable(
            Fault("A block holds itself.", "Remove the reference to the block from the block itself.")
        )
    told = [finding.message.strip().rstrip(".") for finding in findings[:_FINDINGS]]
    more = f" and {len(findings) - _FINDINGS} more" if len(findings) > _FINDINGS else ""
    sketch.assume(
        "file",
        "recovered from a damaged file",
        f"{fault.strip().rstrip('.')}; mended or dropped: {'; '.join(told) or 'nothing'}{more}; "
        "compare the layout with the drawing",
        "the recovery mode of the library that reads DXF",
    )
    return document


def _text_structure(data: bytes) -> Iterator[tuple[int, str, str]]:
    """Line, type and, of a section, name of everything that begins in a text file."""
    lines = data.split(b"\n")
    codes, values = lines[0::2], lines[1::2]
    for index, (code, value) in enumerate(zip(codes, values, strict=False)):
        if code.strip() == b"0":
            kind = value.strip().decode("latin-1")
            name = values[index + 1] if kind == "SECTION" and index + 1 < len(values) else b""
            yield 2 * index + 1, kind, name.strip().decode("latin-1")


def _tag_structure(tags: Sequence[DXFTag]) -> Iterator[tuple[int, str, str]]:
    """The same of a binary file; its tags stand in for lines."""
    for index, (code, value) in enumerate(tags):
        if code == 0:
            name = tags[index + 1][1] if value == "SECTION" and index + 1 < len(tags) else ""
            yield index + 1, str(value), str(name)


def _check(structure: Iterable[tuple[int, str, str]], sketch: Sketch) -> None:
    """Refuse a file that holds no drawing, one that is cut off within it, and one that holds too much."""
    section, line, ended = "", 0, False
    seen: set[str] = set()
    entities = vertices = 0
    for at, kind, name in structure:
        line = at
        if kind == "SECTION":
            section = name
            seen.add(name)
        elif kind == "ENDSEC":
            section = ""
        elif kind == "EOF":
            ended = True
            break
        elif section in _DRAWING_SECTIONS:
            entities += kind not in _PARTS
            vertices += kind == "VERTEX"
    if not seen:
        raise _unreadable("it holds no SECTION")
    if not ended and (section in _DRAWING_SECTIONS or "ENTITIES" not in seen):
        raise LayoutUnreadable(
            Fault(
                f"The file is cut off: it ends within its section {section or 'before ENTITIES'}.",
                "Send the whole file; save or transfer it again.",
                where=f"after line {line}",
            )
        )
    if "ENTITIES" not in seen:
        raise _unreadable("it has no ENTITIES section, which holds the drawing")
    if not ended:
        sketch.assume(
            "file",
            "read although its end is missing",
            "the file has no EOF mark; the drawing itself (BLOCKS and ENTITIES) is whole",
            "DXF Reference, general file structure",
        )
    limits = sketch.options.limits
    if entities > limits.elements_count:
        sketch.tally.element(entities)
    if vertices > limits.vertices_count:
        sketch.tally.vertex(vertices)


def _unreadable(why: str) -> LayoutUnreadable:
    why = why.strip().rstrip(".") or "its structure is damaged"
    return LayoutUnreadable(
        Fault(
            f"The file is no readable DXF: {why}.", "Open it in the drawing program and save it anew as DXF."
        )
    )
