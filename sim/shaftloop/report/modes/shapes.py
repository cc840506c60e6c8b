"""The line with its mode shapes drawn over it: which bodies move, which parts are strained."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.modes import Mechanics, Mode
from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.report.quantities import show

__all__ = ["modes_picture", "shortened"]

_MOST_MODES = 4
_HEIGHT = 1.9
"""Of a row. [inch]"""
_INK, _FAINT = "#333333", "#B8B8B8"
_BLOCK = {"machine": "#CFE3F1", "other": "#E4E4E4"}
_SHAPE, _STRAINED = COLOURS["now"], COLOURS["limit"]
_KEY = "Thickness and per cent: share of a part in the elastic energy of a mode; the largest one in orange."
_CHARACTERS = 118.0
"""Characters that fit side by side over the whole line."""
_ROW = (-2.15, 1.9)
"""Range of a row in which the largest deflection is 1."""
_STRAIN = -1.75
"""Where the shares of the parts stand in a row."""
_SIDE_BY_SIDE = 10
"""Bodies beyond which names stand upright."""
_CROWDED = 14
"""Bodies beyond which values are left out."""


def modes_picture(line: Mechanics, modes: Sequence[Mode], title: str, subject: str) -> Picture:
    """Return the line with its first modes over it.

    Parameters
    ----------
    modes : sequence of Mode
        From `find_modes`.
    title : str
        Its finding.
    """
    shown = list(modes[:_MOST_MODES])
    upright = len(_columns(line)) > _SIDE_BY_SIDE
    head = 3.0 if upright else 1.5

    def paint(figure: Any) -> None:
        heights = [head, *[_HEIGHT] * len(shown)]
        axes = figure.subplots(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
        for row in axes:
            row.set_axis_off()
            row.set_xlim(-0.62, len(_columns(line)) - 0.38)
        _draw_line(axes[0], line, _INK)
        _name(axes[0], line, upright)
        axes[0].set_title(_KEY, **SIDE)
        for number, (row, mode) in enumerate(zip(axes[1:], shown, strict=True), 1):
            row.set_ylim(*_ROW)
            _draw_line(row, line, _FAINT)
            _draw_shape(row, line, mode)
            row.text(0.0, 1.0, heading(number, mode), transform=row.transAxes, va="top", fontweight="bold")
            text = _responses(line, mode)
            row.text(1.0, 1.0, text, transform=row.transAxes, va="top", ha="right", parse_math=False)

    shows = "The line with the shapes of its first modes, and which part each strains"
    return Picture("modes", title, shows, subject, (12.5, head + _HEIGHT * len(shown) + 0.8), paint)


def heading(number: int, mode: Mode) -> str:
    """Return number, frequency and damping of a mode in words.

    Parameters
    ----------
    number : int
        From 1.
    mode : Mode
        From `find_modes`.
    """
    percent = f"{100.0 * mode.damping_ratio:#.2g}".rstrip(".")
    damping = f"damping {percent} %" if mode.damping_ratio else "undamped"
    return f"mode {number}: {show(mode.frequency, 'Hz')}, {damping}"


def shortened(name: str, most: int) -> str:
    """Return a name of no more than a number of characters.

    Parameters
    ----------
    name : str
        Name of a body or part.
    most : int
        Characters, at least 4; beginning and end are kept, for names often differ there.
    """
    tail = (most - 1) // 3
    return name if len(name) <= most else name[: most - 1 - tail] + "…" + name[len(name) - tail :]


def _responses(line: Mechanics, mode: Mode) -> str:
    """Return what excites the sensor, in words."""
    if line.sensor is None:
        return ""
    values = [
        f"{'unlimited' if gain is None else show(gain, '', 2) + ' N m'} per N m of {shortened(machine, 16)}"
        for machine, gain in mode.amplification.items()
    ]
    return f"at {line.sensor}: " + ", ".join(values)


def _columns(line: Mechanics) -> list[tuple[int, int]]:
    """Return body and spring that leads to it of every column; the spring is -1 where a row begins.

    A branch stands right of the rest and begins with the body that it is at once more.
    """
    return [place for row in line.tree.rows for place in row]


def _springs(line: Mechanics) -> list[tuple[int, str]]:
    """Return the columns that a spring leads to, with its part."""
    parts = list(line.springs)
    return [(i, parts[spring]) for i, (_, spring) in enumerate(_columns(line)) if spring >= 0]


def _widths(line: Mechanics) -> NDArray[np.float64]:
    """Return half the size of every block, by the logarithm of its inertia."""
    size = np.log10(line.inertias)
    size[np.isinf(size)] = np.max(size[np.isfinite(size)], initial=-np.inf)
    spread = max(float(np.ptp(size)), 1e-9)
    return np.asarray(0.10 + 0.16 * (size - size.min()) / max(spread, 1.0))


def _draw_line(axes: Any, line: Mechanics, ink: str) -> None:
    """Draw blocks with springs between."""
    from matplotlib.patches import Rectangle

    columns = _columns(line)
    half = _widths(line)[[body for body, _ in columns]]
    for i, ((body, spring), size) in enumerate(zip(columns, half, strict=True)):
        kind = "machine" if body in line.machines.values() else "other"
        height = 2.2 * size if ink == _INK else 1.6 * size
        face = _BLOCK[kind] if ink == _INK else "#F4F4F4"
        style = "--" if i and spring < 0 else "-"
        box: Any = {"facecolor": face if style == "-" else "none", "edgecolor": ink, "linestyle": style}
        axes.add_patch(Rectangle((i - size, -height), 2 * size, 2 * height, zorder=2.0, **box))
    for i, _ in _springs(line):
        start, end = i - 1 + half[i - 1], i - half[i]
        x = start + (end - start) * np.array([0.0, 0.2, *np.linspace(0.25, 0.75, 7), 0.8, 1.0])
        y = 0.11 * np.array([0, 0, 1, -1, 1, -1, 1, -1, 1, 0, 0])
        axes.plot(x, y, color=ink, linewidth=1.3, zorder=1.5)


def _name(axes: Any, line: Mechanics, upright: bool) -> None:
    """Write names of bodies below and of springs above them."""
    columns = _columns(line)
    most = 14 if upright else int(_CHARACTERS / len(columns))
    turned: Any = {"rotation": 90.0 if upright else 0.0, "parse_math": False, "ha": "center"}
    small = 8.0 if upright else 9.5
    axes.set_ylim((-2.6, 2.6) if upright else (-1.25, 0.95))
    for i, (body, spring) in enumerate(columns):
        again = i > 0 and spring < 0
        size = "" if upright else f"\n{'again' if again else _inertia(line.inertias[body])}"
        text = shortened(line.bodies[body], most) + size
        axes.text(i, -0.68, text, va="top", fontsize=small, **turned)
    for i, name in _springs(line):
        text = shortened(name, most if upright else most // 2)
        axes.text(i - 0.5, 0.3, text, va="bottom", fontsize=small, fontweight="bold", **turned)


def _inertia(value: float) -> str:
    return f"{value:.3g} kg m²".replace("e-0", "e-") if np.isfinite(value) else "fixed"


def _draw_shape(axes: Any, line: Mechanics, mode: Mode) -> None:
    """Draw the deflection of every body; between them the more a part is strained, the thicker."""
    y = np.array(list(mode.shape.values()))[[body for body, _ in _columns(line)]]
    axes.axhline(0.0, color=_FAINT, linewidth=0.8, linestyle="--", zorder=1.0)
    crowded = len(y) > _CROWDED
    for i, part in _springs(line):
        colour, share = _STRAINED if part == mode.weakest else _SHAPE, mode.strains[part]
        axes.plot([i - 1, i], y[i - 1 : i + 1], color=colour, linewidth=1.2 + 6.0 * share, zorder=3.0)
        if share >= (0.1 if crowded else 0.005):
            text = f"{100.0 * share:.0f} %" if crowded else f"{shortened(part, 14)} {100.0 * share:.0f} %"
            weight = "bold" if part == mode.weakest else "normal"
            place: Any = {"ha": "center", "va": "bottom", "fontsize": 9.0, "parse_math": False}
            axes.text(i - 0.5, _STRAIN, text, color=colour, fontweight=weight, **place)
    axes.vlines(range(len(y)), 0.0, y, color=_SHAPE, linewidth=0.8, zorder=2.5)
    axes.plot(range(len(y)), y, "o", color=_SHAPE, markersize=3.0 if crowded else 5.5, zorder=4.0)
    for i, value in enumerate(y if not crowded else []):
        up = 1.0 if value >= 0.0 else -1.0
        place = {"ha": "center", "va": "bottom" if up > 0.0 else "top", "color": _INK, "fontsize": 8.5}
        axes.text(i, value + 0.14 * up, f"{value:+.2f}".replace("-0.00", "0").replace("+0.00", "0"), **place)
