"""What all pictures share: a finding as title, paper, colours, thinning of curves, files."""

import io
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.files import open_atomically

__all__ = ["COLOURS", "MACHINE_COLOURS", "SIDE", "Picture", "over", "plain", "thinned"]

Array = NDArray[np.float64]

COLOURS = {
    "setpoint": "#000000",
    "true": "#009E73",
    "reading": "#CC79A7",
    "before": "#6E6E6E",
    "now": "#0072B2",
    "phase margin": "#785EF0",
    "gain margin": "#9A6700",
    "sensitivity": "#D55E00",
    "complementary": "#56B4E9",
    "limit": "#D55E00",
    "electrical": "#0072B2",
    "mechanical": "#009E73",
    "loss": "#D55E00",
    "stored": "#E69F00",
    "grid": "#000000",
    "quiet": "#6E6E6E",
}
"""By meaning, the same in all pictures; a loop as it is has the colour "now".

From the palette of Okabe and Ito, with a violet and a brown, which the colour-blind can tell apart. Meanings
that share a colour never stand in one picture as curves.
"""
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
    # Letters stay letters: small files that can be searched and read out.
    "svg.fonttype": "none",
    "path.simplify_threshold": 0.5,
}
_BINS = 1500
_DPI = 130.0
_PACKED = 3
"""How hard a PNG is packed: harder takes a tenth of a picture's time for a tenth of its size."""
_PER_INCH = 9.2
"""Letters of a title that fit into an inch."""
_LINES = 3
SIDE: Any = {"loc": "left", "fontweight": "normal", "fontsize": 10.0, "parse_math": False}
"""How what a panel shows stands over it."""


@dataclass(frozen=True)
class Picture:
    """What can be drawn of an answer: its finding in words, and how it is painted."""

    name: str
    """Of its file, without ending."""
    title: str
    """The finding: the same numbers and words as in the verdict. Nothing in it is taken for a formula."""
    shows: str
    """What is drawn, for those who cannot see it."""
    subject: str
    """Of which bench it is."""
    size: tuple[float, float]
    """Width and height. [inch]"""
    paint: Callable[[Any], None]
    """Takes an empty matplotlib figure and fills it."""
    caution: str = ""
    """What is to be minded by those who act on it."""

    @property
    def alternative(self) -> str:
        """The finding and what is drawn, in place of the picture."""
        return f"{self.title.rstrip('.')}. {self.shows}, of {self.subject}. {self.caution}".rstrip()

    def write(self, paths: Sequence[Path]) -> None:
        """Draw and write to files whose endings say the format.

        Parameters
        ----------
        paths : sequence of Path
            Files, .svg or .png; none, nothing is drawn.
        """
        if not paths:
            return
        with self._laid_out(titled=True) as figure:
            for path in paths:
                with open_atomically(path) as file:
                    self._print(figure, path.suffix, file)

    def svg(self) -> str:
        """Return the picture as an SVG element, without its title, which a page writes as text."""
        file = io.BytesIO()
        with self._laid_out(titled=False) as figure:
            self._print(figure, ".svg", file)
        text = file.getvalue().decode("utf-8")
        return text[text.index("<svg") :]

    @contextmanager
    def _laid_out(self, *, titled: bool) -> Iterator[Any]:
        """Give the picture as a figure; it is printed in the same style."""
        import matplotlib

        with _undocumented():
            from matplotlib.backends.backend_agg import FigureCanvasAgg
            from matplotlib.figure import Figure
            from matplotlib.layout_engine import ConstrainedLayoutEngine

        with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
            # A title may hold characters that the font does not have; boxes in the picture are enough said.
            warnings.filterwarnings("ignore", message="Glyph .* missing")
            engine = ConstrainedLayoutEngine()
            figure = Figure(figsize=self.size, dpi=_DPI, layout=engine)
            if titled:
                style: Any = {"x": 0.012, "ha": "left", "parse_math": False}
                figure.suptitle(plain(self.title, self.size[0]), fontsize=12.5, fontweight="bold", **style)
                style |= {"x": 0.988, "ha": "right", "fontsize": 8.5, "color": COLOURS["quiet"]}
                figure.supxlabel(plain(f"{self.caution} {self.subject}".strip(), self.size[0]), **style)
            FigureCanvasAgg(figure)
            self.paint(figure)
            _write_plain_decades(figure)
            # Laid out once, by one renderer for all formats; ``savefig`` would do it again for each.
            engine.execute(figure)
            figure.set_layout_engine("none")
            yield figure

    def _print(self, figure: Any, kind: str, file: BinaryIO) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        about = {"Title": self.title, "Description": self.alternative}
        figure.set_dpi(_DPI)
        if kind == ".svg":
            FigureCanvasSVG(figure).print_svg(file, metadata={"Date": None, **about})
        else:
            FigureCanvasAgg(figure).print_png(file, metadata=about, pil_kwargs={"compress_level": _PACKED})


@contextmanager
def _undocumented() -> Iterator[None]:
    """Import drawing classes without texts on their properties, which take a third of it and no one reads."""
    from matplotlib import artist

    kept = artist.kwdoc
    artist.kwdoc = lambda artist: ""
    try:
        yield
    finally:
        artist.kwdoc = kept


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
    _join_minor_ticks(figure)


def _join_minor_ticks(figure: Any) -> None:
    """Draw the minor ticks of more than a decade, which have no labels, as one row of dashes.

    Each tick of an axis is five artists; those of a Bode plot took half of its time.
    """
    from matplotlib.lines import Line2D
    from matplotlib.markers import TICKDOWN, TICKLEFT
    from matplotlib.ticker import LogLocator, NullLocator

    rows = []
    for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)):
        low, high = sorted(axis.get_view_interval())
        if isinstance(axis.get_minor_locator(), LogLocator) and high > 10.0 * low > 0.0:
            rows.append((axis, [place for place in axis.get_minorticklocs() if low <= place <= high]))
    # Panels that share an axis share its locator, too: only now.
    for axis, places in rows:
        axes, zeros = axis.axes, [0.0] * len(places)
        axis.set_minor_locator(NullLocator())
        across = axis is axes.xaxis
        dashes = Line2D(
            *((places, zeros) if across else (zeros, places)),
            linestyle="none",
            marker=TICKDOWN if across else TICKLEFT,
            markersize=2.0,
            markeredgewidth=0.6,
            color="#000000",
            transform=axes.get_xaxis_transform() if across else axes.get_yaxis_transform(),
            clip_on=False,
        )
        dashes.set_in_layout(False)
        axes.add_artist(dashes)


def plain(text: str, width: float = 10.0) -> str:
    """Return a text that fits over a picture: printable, at most three lines.

    Parameters
    ----------
    text : str
        Any text.
    width : float
        Of the picture. [inch]
    """
    printable = "".join(c if c.isprintable() else " " for c in text)
    return "\n".join(textwrap.wrap(printable, int(_PER_INCH * width), max_lines=_LINES, placeholder=" ..."))


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


def over(axes: Any, columns: int, **more: Any) -> None:
    """Put the legend of a panel above it, where no curve is.

    Parameters
    ----------
    columns : int
        Entries side by side.
    **more
        Further arguments of the legend.
    """
    legend = axes.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncols=columns,
        borderaxespad=0.0,
        columnspacing=1.2,
        handlelength=1.8,
        **more,
    )
    for text in legend.get_texts():
        text.set_parse_math(False)
