"""The shaft line as a drawing to scale, with its ratings; branches stand below what they branch off.

A body is drawn as the steel disc of one common thickness that has its inertia, a spring as the shaft of one
common length that has its stiffness: both diameters go with the fourth root.
"""

from collections.abc import Iterator, Sequence
from math import isfinite
from textwrap import wrap
from xml.etree.ElementTree import Element, SubElement, tostring

from shaftloop.answers.show import ShowAnswer, ShownBody, ShownSpring
from shaftloop.report.modes.shapes import shortened
from shaftloop.report.quantities import percent, show
from shaftloop.report.show.drawing import gear_words, stiffness_text
from shaftloop_models.tree import Tree

__all__ = ["line_svg", "line_title"]

_PITCH = 210
"""From body to body. [px]"""
_DISC, _TALL, _THICK, _THIN = 30, 130, 34, 3
"""Thickness of the discs, largest diameter of disc and shaft, least of either. [px]"""
_ROW = 17
"""From line to line of text. [px]"""
_LETTERS = 24
"""That fit between two bodies."""


def line_title(answer: ShowAnswer) -> str:
    """Return what the drawing shows, in a sentence."""
    free = [body for body in answer.bodies if isfinite(body.inertia)] or answer.bodies[:1]
    heavy, whole = max(free, key=lambda body: body.seen), sum(body.seen for body in free)
    text = (
        f"{heavy.name} has {percent(heavy.seen / whole)} of the inertia"
        if whole
        else "The line has no inertia"
    )
    if not answer.springs:
        return f"{text}; the line has no spring"
    soft = min(answer.springs, key=lambda spring: spring.stiffness)
    return f"{text}; {soft.part} is the softest spring, {stiffness_text(soft.stiffness)}"


def line_svg(answer: ShowAnswer) -> str:
    """Return the drawing as an SVG element."""
    above = [list(_spring_words(answer, spring)) for spring in answer.springs]
    below = [list(_body_words(answer, body)) for body in answer.bodies]
    head = _ROW * max(map(len, above), default=0) + 12
    foot = _ROW * max(map(len, below), default=0) + 12
    column, lane = _places(answer.tree)
    every = "; ".join(", ".join(words) for words in [*below, *above])
    width, high = _PITCH * (max(column) + 1), head + _TALL + foot
    centres = [_PITCH * (number + 0.5) for number in column]
    axes = [high * number + head + _TALL / 2 for number in lane]
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {width} {high * (max(lane) + 1):g}",
            "role": "img",
            "aria-label": f"{line_title(answer)}. {every}.",
            "class": "line",
        },
    )
    thick = _sizes([spring.stiffness for spring in answer.springs], _THICK)
    for joint, spring, size, words in zip(answer.tree.joints, answer.springs, thick, above, strict=True):
        kind, start = "spring sensed" if spring.loops else "spring", centres[joint.left]
        end = start + _PITCH - _DISC / 2
        for right in joint.rights:
            axis, down = axes[right], axes[right] - axes[joint.left]
            if down:
                _box(root, start - size / 2, axes[joint.left], size, down + size / 2, kind)
            begin = start if down else start + _DISC / 2
            _box(root, begin, axis - size / 2, end - begin, size, kind)
            rise = head - 12 - _ROW * (len(words) - 1)
            _words(root, start + _PITCH / 2, axis - _TALL / 2 - head + rise, words)
    tall = _sizes([body.inertia if isfinite(body.inertia) else 0.0 for body in answer.bodies], _TALL)
    for body, centre, axis, size, words in zip(answer.bodies, centres, axes, tall, below, strict=True):
        kind = "body driven" if body.loops else "body"
        _box(root, centre - _DISC / 2, axis - size / 2, _DISC, size, kind)
        _words(root, centre, axis + _TALL / 2 + 20, words)
    return tostring(root, encoding="unicode")


def _places(tree: Tree) -> tuple[list[int], list[int]]:
    """Return the column and the lane of every body; a branch has a lane of its own."""
    column, lane = [0] * tree.bodies, [0] * tree.bodies
    for number, row in enumerate(tree.rows):
        for place, (body, spring) in enumerate(row):
            if spring >= 0:
                column[body], lane[body] = column[row[0][0]] + place, number
    return column, lane


def _sizes(values: Sequence[float], largest: float) -> list[float]:
    top = max(values, default=0.0) or 1.0
    return [max(largest * (max(value, 0.0) / top) ** 0.25, _THIN) for value in values]


def _box(root: Element, x: float, y: float, width: float, height: float, kind: str) -> None:
    place = {"x": f"{x:.1f}", "y": f"{y:.1f}", "width": f"{width:.1f}", "height": f"{height:.1f}"}
    SubElement(root, "rect", place | {"class": kind})


def _words(root: Element, x: float, y: float, words: Sequence[str]) -> None:
    for row, text in enumerate(words):
        place = {"x": f"{x:.1f}", "y": f"{y + _ROW * row:.1f}"}
        SubElement(root, "text", place | ({"class": "name"} if row == 0 else {})).text = text


def _body_words(answer: ShowAnswer, body: ShownBody) -> Iterator[str]:
    yield shortened(body.name, _LETTERS)
    yield f"{body.inertia:#.4g} kg m²" if isfinite(body.inertia) else "fixed"
    springs = {spring.part for spring in answer.springs}
    for part in body.parts:
        if part not in springs:
            yield from _ratings(answer, part, part if len(body.parts) > 1 else "")
    yield from _loops("commanded by", body.loops)


def _spring_words(answer: ShowAnswer, spring: ShownSpring) -> Iterator[str]:
    yield shortened(spring.part, _LETTERS)
    yield stiffness_text(spring.stiffness)
    for words in gear_words(spring):
        yield shortened(words, _LETTERS + 4)
    yield from _ratings(answer, spring.part, "")
    yield from _loops("read by", spring.loops)


def _loops(what: str, loops: Sequence[str]) -> Iterator[str]:
    """Yield what loops do with a part, in as many rows as their names take."""
    words = f"{what} {', '.join(loops)}" if loops else ""
    for row in wrap(words, _LETTERS + 4, break_long_words=False, break_on_hyphens=False):
        yield shortened(row, _LETTERS + 4)


def _ratings(answer: ShowAnswer, part: str, name: str) -> Iterator[str]:
    for entry in answer.ratings:
        if entry.part == part:
            bounds = (("rated", entry.rated), ("limit", entry.limit))
            for word, bound in bounds:
                if bound is not None:
                    yield shortened(f"{name} {word} {show(bound, entry.unit)}".strip(), _LETTERS + 4)
