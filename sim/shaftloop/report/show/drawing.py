"""The shaft line as plain text: bodies and springs in order, top to bottom."""

import textwrap
from collections.abc import Iterator, Sequence
from math import degrees, isfinite

from shaftloop.answers.show import ShowAnswer, ShownSpring

__all__ = ["WIDTH", "draw_line", "gear_words", "stiffness_text"]

WIDTH = 80
"""Columns that the bench in plain text takes."""


def draw_line(results: ShowAnswer) -> Iterator[str]:
    """Yield the lines of the drawing: ``O`` for a rigid body, ``|`` for a spring between two.

    A branch begins with the name of the body that it is at.
    """
    names = [body.name for body in results.bodies] + [spring.part for spring in results.springs]
    wide = min(max(map(len, names)), 24)
    for row in results.tree.rows:
        for i, spring in row:
            body, between = results.bodies[i], "|" if (i, spring) != row[-1] else " "
            if spring >= 0:
                yield _spring_row(results.springs[spring], wide)
            elif i or row is not results.tree.rows[0]:
                yield ""
                yield f"  at {body.name}:"
                continue
            made = f"of {', '.join(body.parts)}" if list(body.parts) != [body.name] else ""
            size = f"{body.inertia:#.4g} kg m²" if isfinite(body.inertia) else "fixed"
            acted = _loops("commanded by", body.loops)
            yield _row("O", between, f"{body.name:{wide}}  {size:>16}", made, acted)


def _spring_row(spring: ShownSpring, wide: int) -> str:
    fast = f"{stiffness_text(spring.fast)} in fast motion" if spring.fast != spring.stiffness else ""
    size = f"{spring.part:{wide}}  {stiffness_text(spring.stiffness):>16}"
    return _row("|", "|", size, fast, *gear_words(spring), _loops("read by", spring.loops))


def gear_words(spring: ShownSpring) -> Iterator[str]:
    """Yield what a spring has of a gear, in words: its ratio, its outputs and its play.

    Parameters
    ----------
    spring : ShownSpring
        Of the line.
    """
    if spring.ratio != 1.0:
        yield f"ratio {spring.ratio:g} : 1"
    if spring.outputs > 1:
        yield "equal torques"
    if spring.play:
        yield f"{degrees(spring.play):.3g}° of play"
    if spring.law:
        yield spring.law


def _row(mark: str, between: str, what: str, *notes: str) -> str:
    """Return a line of the drawing; `between` goes on beside what takes more than one."""
    begins = f"  {mark}  {what}  "
    more = f"  {between}".ljust(len(begins))
    said = "; ".join(note for note in notes if note)
    return textwrap.fill(begins + said, WIDTH, subsequent_indent=more, break_on_hyphens=False).rstrip()


def _loops(does: str, names: Sequence[str]) -> str:
    return f"{does} {', '.join(names)}" if names else ""


def stiffness_text(value: float) -> str:
    """Return a stiffness as people write it.

    Parameters
    ----------
    value : float
        [N m/rad]
    """
    factor, prefix = next((f, p) for f, p in ((1e6, "M"), (1e3, "k"), (0.0, "")) if value >= f)
    return f"{value / (factor or 1.0):#.4g}".rstrip(".") + f" {prefix}N m/rad"
