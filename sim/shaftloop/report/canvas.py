"""What all pictures share: paper, colours, thinning of curves, files."""

import textwrap
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.files import open_atomically

__all__ = ["COLOURS", "MACHINE_COLOURS", "draw", "plain", "thinned"]

Array = NDArray[np.float64]

COLOURS = {
    "setpoint": "#000000",
    "true": "#009E73",
    "reading": "#CC79A7",
    "electrical": "#0072B2",
    "mechanical": "#009E73",
    "loss": "#D55E00",
    "stored": "#E69F00",
    "grid": "#000000",
    "phase margin": "#785EF0",
    "quiet": "#6E6E6E",
}
"""By meaning; from the palette of Okabe and Ito, which the colour-blind can tell apart."""
MACHINE_COLOURS = ("#0072B2", "#D55E00", "#E69F00", "#56B4E9")
"""Of the machines, left to right."""

_STYLE: Any = {
    "font.size": 10.0,
    "axes.titlesize": 11.0,
    "axes.titleweight": "bold",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#E3E3E3",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
    "lines.linewidth": 1.4,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "svg.hashsalt": "shaftloop",
    "path.simplify_threshold": 0.5,
}
_BINS = 1500
_DPI = 130.0
_TITLE_WIDTH = 90
_PER_INCH = 9.0
"""Letters of a title that fit into an inch."""


def draw(paint: Callable[[Any], None], size: tuple[float, float], title: str, paths: list[Path]) -> None:
    """Draw a picture and write it to files whose endings say the format.

    Parameters
    ----------
    paint : callable
        Takes an empty matplotlib figure and fills it.
    size : tuple of float
        Width and height. [inch]
    title : str
        Any text; nothing in it is taken for a formula.
    paths : list of Path
        Files, .svg or .png; none, nothing is drawn.
    """
    if not paths:
        return
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        # A title may hold characters that the font does not have; boxes in the picture are enough said.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        engine = ConstrainedLayoutEngine()
        figure = Figure(figsize=size, dpi=_DPI, layout=engine)
        figure.suptitle(plain(title, size[0]), fontsize=13.0, fontweight="bold", parse_math=False)
        FigureCanvasAgg(figure)
        paint(figure)
        _write_plain_decades(figure)
        # Laid out once, by one renderer for all formats; ``savefig`` would do it again for each.
        engine.execute(figure)
        figure.set_layout_engine("none")
        for path in paths:
            figure.set_dpi(_DPI)
            with open_atomically(path) as file:
                if path.suffix == ".svg":
                    FigureCanvasSVG(figure).print_svg(file, metadata={"Date": None})
                else:
                    FigureCanvasAgg(figure).print_png(file)


def _write_plain_decades(figure: Any) -> None:
    """Label logarithmic axes with numbers in place of formulas, which take longer to set than to read."""
    from matplotlib.ticker import LogFormatter, LogFormatterMathtext

    class Plain(LogFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            return f"{x:g}" if super().__call__(x, pos) else ""

    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            if isinstance(axis.get_major_formatter(), LogFormatterMathtext):
                axis.set_major_formatter(Plain())
                axis.set_minor_formatter(Plain(labelOnlyBase=False, minor_thresholds=(1.0, 0.4)))


def plain(text: str, width: float = 10.0) -> str:
    """Return a text that fits over a picture: printable, at most two lines.

    Parameters
    ----------
    text : str
        Any text.
    width : float
        Of the picture. [inch]
    """
    printable = "".join(c if c.isprintable() else " " for c in text)
    most = min(_TITLE_WIDTH, int(_PER_INCH * width))
    return "\n".join(textwrap.wrap(printable, most, max_lines=2, placeholder=" ..."))


def thinned(x: Array, y: Array) -> tuple[Array, Array]:
    """Return a curve with fewer points that looks the same: lowest and highest value of every bin.

    Parameters
    ----------
    x, y : ndarray, shape (points,)
        Curve.
    """
    width = len(y) // _BINS
    if width < 4:
        return x, y
    count = len(y) // width
    rows = y[: count * width].reshape(count, width)
    first = np.arange(count) * width
    both = np.sort(
        np.stack((first + rows.argmin(axis=1), first + rows.argmax(axis=1)), axis=1), axis=1
    ).ravel()
    keep = np.unique(np.concatenate(([0], both, [len(y) - 1])))
    return x[keep], y[keep]
