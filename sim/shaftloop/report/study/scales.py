"""How factors and figures of a study are put on an axis: in whose unit, with which label, linear or not."""

import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np

from shaftloop.report.quantities import readable
from shaftloop.studies.whatif.factors import FactorSpread
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.words import figure_words, value_words

__all__ = ["Scale", "factor_scale", "figure_scale", "log_axis", "wrapped"]

_BLANK = "\N{NO-BREAK SPACE}"
_WIDE = 20.0
"""Ratio of the ends from which listed values go on a log scale."""


@dataclass(frozen=True)
class Scale:
    """One axis of a picture."""

    label: str
    """Name and unit."""
    factor: float = 1.0
    """What a value is multiplied with."""
    logarithmic: bool = False
    texts: tuple[str, ...] = ()
    """Texts in the place of numbers 0, 1, ..."""

    def of(self, value: float) -> float:
        """Return a value as it is drawn.

        Parameters
        ----------
        value : float
            In the unit of the study.
        """
        return value * self.factor


def factor_scale(results: StudyFindings, path: str) -> Scale:
    """Return the axis of a factor.

    Parameters
    ----------
    path : str
        Of the factor.
    """
    column = results.table.factors[path]
    if column.texts:
        return Scale(
            value_words(path),
            texts=tuple(text.rpartition("/")[2].removesuffix(".toml") for text in column.texts),
        )
    axis = next(axis for axis in results.study.axes if axis.path == path)
    values = column.values[np.isfinite(column.values)]
    wide = len(values) > 0 and values.min() > 0.0 and values.max() >= _WIDE * values.min()
    logarithmic = axis.kind == "log" if isinstance(axis, FactorSpread) else bool(wide)
    return Scale(f"{value_words(path)} [{column.unit}]", logarithmic=logarithmic)


def figure_scale(results: StudyFindings, name: str) -> Scale:
    """Return the axis of a figure, in the unit in which people speak of it.

    Parameters
    ----------
    name : str
        Of the figure.
    """
    column = results.table.figures[name]
    sizes = np.abs(column.values[np.isfinite(column.values)])
    typical = float(np.median(sizes)) if len(sizes) else 0.0
    words = figure_words(name)
    if column.unit == "1" or typical == 0.0:
        return Scale(f"{words} [{column.unit}]")
    value, unit = readable(typical, column.unit)
    return Scale(f"{words} [{unit}]", value / typical)


def log_axis(axis: Any, put: Any) -> None:
    """Make an axis logarithmic with a handful of plain numbers on it.

    Parameters
    ----------
    put : callable
        Sets the scale of it.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    put("log")
    axis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0), numticks=8))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def wrapped(label: str, width: int = 26) -> str:
    """Return a name over several lines where it is long, its unit whole.

    Parameters
    ----------
    label : str
        Words, and a unit in brackets or none.
    width : int
        Most letters on a line.
    """
    name, bracket, unit = label.partition(" [")
    # A unit holds blanks of its own, at which nothing is broken.
    words = f"{name} [{unit.replace(' ', _BLANK)}" if bracket else name
    return textwrap.fill(words, width, break_long_words=False).replace(_BLANK, " ")
