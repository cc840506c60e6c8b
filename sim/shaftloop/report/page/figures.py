"""Pictures as elements of a page: no style attributes, which its policy forbids, each with ids of its own."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from xml.etree import ElementTree

from shaftloop.report.canvas import Picture

__all__ = ["Drawn", "drawn"]

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_KEPT = frozenset(
    {
        "fill",
        "fill-opacity",
        "font-size",
        "font-style",
        "font-weight",
        "opacity",
        "stroke",
        "stroke-dasharray",
        "stroke-dashoffset",
        "stroke-linecap",
        "stroke-linejoin",
        "stroke-opacity",
        "stroke-width",
        "text-anchor",
    }
)
"""What is said in a style and may be said as an attribute; families of letters are those of the page."""
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_SHADES = 24
"""Colours of surfaces beyond which they are a map, which keeps its colours and its light paper."""

_TALL, _WIDE = 0.74, 770.0
"""Height over width from which a picture is drawn narrower than the page, and the width [pt] beyond which its
letters would become too small for that."""


@dataclass(frozen=True)
class Drawn:
    """A picture in a page."""

    name: str
    title: str
    """The finding."""
    svg: str
    colours: frozenset[str]
    paper: bool
    """Whether it stays on light paper."""
    tall: bool
    """Whether it would fill more than a screen at the width of the page."""


def drawn(picture: Picture, place: str) -> Drawn:
    """Return a picture as an element of a page.

    Parameters
    ----------
    place : str
        Unique in the page; identities in the picture begin with it.
    """
    root = ElementTree.fromstring(picture.svg())
    _strip(root)
    used = _referenced(root, place)
    for element in root.iter():
        _plain(element, used)
    for shape in root.iterfind(f".//{{{_SVG}}}defs/*"):
        # It takes the ink of its use, which the rules of the dark page reach; they do not reach inside.
        shape.attrib.pop("stroke", None)
    width, height = root.attrib["viewBox"].split()[2:]
    root.attrib.clear()
    root.attrib |= {
        "viewBox": f"0 0 {width} {height}",
        "role": "img",
        "aria-label": picture.alternative,
        "fill": "#000000",
    }
    colours = {value for e in root.iter() for k, value in e.attrib.items() if k in ("fill", "stroke")}
    fills = {e.attrib["fill"] for e in root.iter() if e.tag.endswith("}path") and "fill" in e.attrib}
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    svg = ElementTree.tostring(root, encoding="unicode")
    known = frozenset(value for value in colours if value.startswith("#"))
    tall = _TALL * float(width) < float(height) and float(width) < _WIDE
    return Drawn(picture.name, picture.title, svg, known, len(fills) > _SHADES, tall)


def _strip(root: ElementTree.Element) -> None:
    """Take away what is no drawing."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{_SVG}}}metadata", f"{{{_SVG}}}title", f"{{{_SVG}}}style"):
                parent.remove(child)
        if parent.text is not None and not parent.text.strip():
            parent.text = None
        parent.tail = None


def _referenced(root: ElementTree.Element, place: str) -> dict[str, str]:
    """Return what ids that are referred to become: numbers, for theirs hang on the last digit of a layout."""
    values = (value for element in root.iter() for value in element.attrib.values())
    found = re.findall(r"(?:^|\n)(?:url\()?#([\w.-]+)", "\n".join(values))
    return {name: f"{place}-{number}" for number, name in enumerate(dict.fromkeys(found), 1)}


def _plain(element: ElementTree.Element, used: Mapping[str, str]) -> None:
    """Say the style of an element as attributes, in short numbers and with identities of its own."""
    attributes = element.attrib
    for statement in attributes.pop("style", "").split(";"):
        key, _, value = statement.partition(":")
        if key.strip() in _KEPT:
            attributes[key.strip()] = value.strip()
    for key, value in list(attributes.items()):
        if key == "id":
            if value in used:
                attributes[key] = used[value]
            else:
                del attributes[key]
        elif key == _LINK and value.startswith("#"):
            attributes[key] = f"#{used[value[1:]]}"
        elif value.startswith("url(#"):
            attributes[key] = f"url(#{used[value[5:-1]]})"
        elif key in ("d", "x", "y", "transform", "points", "width", "height"):
            attributes[key] = _NUMBER.sub(_short, " ".join(value.split()))
    if attributes.get("transform", "").startswith("rotate(-0 "):
        del attributes["transform"]


def _short(found: re.Match[str]) -> str:
    return f"{round(float(found[0]), 2) + 0.0:g}"
