"""How factors and figures of a study are put on an axis: in whose unit, with which label, linear or not."""

from dataclasses import dataclass

import numpy as np

from shaftloop.report.quantities import readable
from shaftloop.studies.whatif.factors import Spread
from shaftloop.studies.whatif.findings import Findings

__all__ = ["Scale", "factor_scale", "figure_scale"]

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


def factor_scale(results: Findings, path: str) -> Scale:
    """Return the axis of a factor.

    Parameters
    ----------
    results : Findings
        What was found.
    path : str
        Of the factor.
    """
    column = results.table.factors[path]
    if column.texts:
        return Scale(
            path, texts=tuple(text.rpartition("/")[2].removesuffix(".toml") for text in column.texts)
        )
    axis = next(axis for axis in results.study.axes if axis.path == path)
    values = column.values[np.isfinite(column.values)]
    wide = len(values) > 0 and values.min() > 0.0 and values.max() >= _WIDE * values.min()
    logarithmic = axis.kind == "log" if isinstance(axis, Spread) else bool(wide)
    return Scale(f"{path} [{column.unit}]", logarithmic=logarithmic)


def figure_scale(results: Findings, name: str) -> Scale:
    """Return the axis of a figure, in the unit in which people speak of it.

    Parameters
    ----------
    results : Findings
        What was found.
    name : str
        Of the figure.
    """
    column = results.table.figures[name]
    sizes = np.abs(column.values[np.isfinite(column.values)])
    typical = float(np.median(sizes)) if len(sizes) else 0.0
    if column.unit == "1" or typical == 0.0:
        return Scale(f"{name} [{column.unit}]")
    value, unit = readable(typical, column.unit)
    return Scale(f"{name} [{unit}]", value / typical)
