"""Cleaning a drawn figure: SVG without style sheets, scripts or outside names.

The page's content policy forbids inline styles. A figure therefore carries plain presentation
attributes only, so that the same text may stand in a page, a report or a file of its own, and its
ink follows the text colour of the page around it.
"""

from xml.etree import ElementTree

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
ROOT = {
    "class": "figure",
    "role": "group",
    "font-family": "system-ui, sans-serif",
    # What the drawing library's own style sheet says of every element.
    "stroke-linejoin": "round",
    "stroke-linecap": "butt",
}

ElementTree.register_namespace("", SVG)


def clean_svg(drawn: str, *, title: str, ink: str) -> str:
    """Clean a figure.

    Parameters
    ----------
    drawn
        SVG as the drawing library writes it.
    title
        What the figure shows, for those who do not see it.
    ink
        The colour, as written in the figure, that is to follow the text colour.
    """
    # Only ever parses what the drawing library wrote a moment ago.
    root = ElementTree.fromstring(drawn)  # noqa: S314
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{SVG}}}metadata", f"{{{SVG}}}style", f"{{{SVG}}}title"):
                parent.remove(child)
    for element in root.iter():
        _plain_attributes(element, ink)
    for name in ("width", "height"):
        root.attrib.pop(name, None)
    root.attrib.update(ROOT)
    root.set("aria-label", _name(root, title))
    return ElementTree.tostring(root, encoding="unicode")


def _name(element: ElementTree.Element, words: str) -> str:
    """Give an element its title; what XML or a line cannot hold becomes a blank."""
    title = ElementTree.Element(f"{{{SVG}}}title")
    title.text = "".join(letter if letter.isprintable() else " " for letter in words)
    element.insert(0, title)
    return title.text


def _plain_attributes(element: ElementTree.Element, ink: str) -> None:
    for declaration in element.attrib.pop("style", "").split(";"):
        name, _, value = declaration.partition(":")
        # The page's own font fits better than a list of fonts that it may not have.
        if value and name.strip() != "font-family":
            element.set(name.strip(), value.strip())
    for name, value in element.attrib.items():
        if value == ink:
            element.set(name, "currentColor")
    address = element.attrib.pop(f"{{{XLINK}}}href", None)
    if address is not None:
        element.set("href", address)
