"""Elements that are shown to some readers or viewers only. Source: SVG 2, §5.9 "Conditional processing"."""

from __future__ import annotations

from xml.etree.ElementTree import Element

#: A drawing of several languages is read in this one, and it is told.
LANGUAGE = "en"


def holds(element: Element) -> bool:
    """Whether an element is shown to a reader of English in a viewer without extensions.

    Args:
        element: of the drawing.

    Returns:
        False when it asks for another language or for any extension.
    """
    if element.get("requiredExtensions", "").strip():
        return False
    languages = element.get("systemLanguage")
    if languages is None:
        return True
    return any(language.strip().lower().split("-")[0] == LANGUAGE for language in languages.split(","))


def chosen(switch: Element) -> Element | None:
    """The one of its children that a `switch` shows.

    Args:
        switch: the element.

    Returns:
        The first whose conditions hold; None when there is none.
    """
    return next((child for child in switch if isinstance(child.tag, str) and holds(child)), None)
