"""From bytes to an XML tree, without trusting the bytes."""

from __future__ import annotations

import io
import re
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException, DTDForbidden, EntitiesForbidden
from defusedxml.ElementTree import iterparse

from rillcast_service.engine.errors import Fault, LayoutInvalid, LayoutUnreadable
from rillcast_service.engine.layout.limits import Limits, Tally

NAMESPACE = "http://www.w3.org/2000/svg"

#: Old files name one of the public SVG 1.x document types. It is never fetched, and says nothing.
_KNOWN_DOCTYPE = "-//W3C//DTD SVG 1."

#: Where a style sheet beside the drawing lies. Source: Associating Style Sheets with XML documents, §1.
_ADDRESS = re.compile(rb"\shref\s*=\s*[\"']([^\"'<]*)[\"']")


def parsed(data: bytes, limits: Limits) -> Element:
    """The root element of an SVG file.

    Entities, external references and document type definitions are refused: they let a small file
    grow without bound or read other files.

    Args:
        data: the file.
        limits: of elements and nesting, where reading stops.

    Returns:
        The `svg` element.

    Raises:
        LayoutUnreadable: not well-formed XML, not SVG, or with forbidden declarations.
        LayoutTooComplex: too many elements, or nested too deeply.
        LayoutInvalid: styled by a sheet that is not in the file.
    """
    outer = _outer_sheet(data[: data.find(b"<svg")])
    if outer is not None:
        raise LayoutInvalid(
            Fault(
                f"The drawing is styled by {outer.decode(errors='replace')!r}, which is not in the file.",
                "Put the rules into a <style> element of the drawing.",
                where="<?xml-stylesheet?>",
            )
        )
    try:
        root = _tree(data, Tally(limits), forbid_dtd=True)
    except DTDForbidden as error:
        if not str(error.pubid or "").startswith(_KNOWN_DOCTYPE):
            raise LayoutUnreadable(
                Fault(
                    "The file declares a document type (<!DOCTYPE …>), which is not read for safety.",
                    "Save it as plain SVG, or delete the declaration.",
                )
            ) from None
        root = _tree(data, Tally(limits), forbid_dtd=False)
    if tag(root) != "svg":
        raise LayoutUnreadable(
            Fault(f"The file is XML but not SVG: its root is <{tag(root) or root.tag}>.", "Send an SVG file.")
        )
    return root


def tag(element: Element) -> str | None:
    """The SVG name of an element.

    Args:
        element: of the tree.

    Returns:
        Such as `path`; None for elements of other vocabularies.
    """
    name = element.tag
    if not isinstance(name, str):
        return None
    if not name.startswith("{"):
        return name
    namespace, _, local_name = name[1:].partition("}")
    return local_name if namespace == NAMESPACE else None


def attribute(element: Element, local_name: str) -> str | None:
    """An attribute by its name, whatever the namespace it is written in.

    Args:
        element: of the tree.
        local_name: such as `href` or `label`.

    Returns:
        Its value; None when the element has none. One without a namespace goes first.
    """
    value = element.get(local_name)
    if value is not None:
        return value
    return next((value for key, value in element.items() if key.endswith("}" + local_name)), None)


def _outer_sheet(prolog: bytes) -> bytes | None:
    """Where a style sheet beside the drawing lies, from what stands before the root; None without one."""
    for instruction in prolog.split(b"?>"):
        _, mark, said = instruction.rpartition(b"<?xml-stylesheet")
        address = _ADDRESS.search(said) if mark else None
        if address is not None and not address[1].startswith(b"#"):
            return address[1]
    return None


def _tree(data: bytes, tally: Tally, *, forbid_dtd: bool) -> Element:
    depth = 0
    root: Element | None = None
    try:
        for event, element in iterparse(io.BytesIO(data), ("start", "end"), forbid_dtd=forbid_dtd):
            if event == "end":
                depth -= 1
                continue
            root = element if root is None else root
            depth += 1
            tally.nesting(depth)
            tally.element()
    except DTDForbidden:
        raise
    except EntitiesForbidden as error:
        raise LayoutUnreadable(
            Fault(
                f"The file declares an XML entity ({error.name!r}), which is not read for safety.",
                "Save it as plain SVG, without entity declarations.",
            )
        ) from None
    except DefusedXmlException as error:
        raise LayoutUnreadable(
            Fault(f"The file uses XML that is not read for safety: {error}.", "Save it as plain SVG.")
        ) from None
    except ParseError as error:
        line, column = error.position
        raise LayoutUnreadable(
            Fault(
                f"The file is not well-formed XML: {str(error).split(':')[0]}.",
                "Mend the file, or export it again.",
                where=f"line {line}, column {column + 1}",
            )
        ) from None
    except (LookupError, UnicodeError, ValueError) as error:
        raise LayoutUnreadable(
            Fault(f"The file's text cannot be decoded: {error}.", "Save it as UTF-8.")
        ) from None
    assert root is not None
    return root
