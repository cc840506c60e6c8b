"""Derivatives of a measurement function, in steps of the standard uncertainties.

With ``z = (x − estimate)/u`` all derivatives come out as contributions to the uncertainty of the result, and
one step size suits quantities of any size.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.uncertainty.model import Measurement
from shaftloop.errors import SimulationError

__all__ = ["Slopes", "second_order_variance", "slopes"]

Array = NDArray[np.float64]

_FIRST_STEP = 0.1
"""First step of the difference quotients, in standard uncertainties. [1]"""
_WORST = 1e-3
"""Largest error of a contribution over the uncertainty that is accepted. [1]"""
_KINK_STEP = 1e-3
"""Step in which a kink is looked for, in standard uncertainties. [1]"""
_ALONE = "take Monte Carlo alone: alone = true under [monte_carlo], or `alone`"


@dataclass(frozen=True)
class Slopes:
    """First derivatives at the best estimates."""

    values: Array
    """Results at the best estimates, shape (outputs,). [unit of the output]"""
    contributions: Array
    """Change of a result per standard uncertainty, shape (outputs, inputs). [unit of the output]"""
    error: Array
    """Largest error of a contribution, shape (outputs,). [unit of the output]"""


def slopes(measurement: Measurement) -> Slopes:
    """Return the first derivatives of all results.

    Raises
    ------
    SimulationError
        Where the function has no value or no derivative at the best estimates.
    """
    from scipy.differentiate import jacobian

    estimates, widths = measurement.estimates, measurement.uncertainties
    values = measurement.evaluate(estimates)
    _check_finite(measurement, values)
    uncertain = np.flatnonzero(widths)
    contributions = np.zeros((len(values), len(estimates)))
    if not len(uncertain):
        return Slopes(values, contributions, np.zeros(len(values)))

    def scaled(z: Array) -> Array:
        x = np.broadcast_to(estimates.reshape(-1, *[1] * (z.ndim - 1)), (len(estimates), *z.shape[1:])).copy()
        x[uncertain] += widths[uncertain].reshape(-1, *[1] * (z.ndim - 1)) * z
        # Differences of the results: a large constant part would cost digits.
        return measurement.evaluate(x) - values.reshape(-1, *[1] * (z.ndim - 1))

    found = jacobian(scaled, np.zeros(len(uncertain)), initial_step=_FIRST_STEP)
    contributions[:, uncertain] = found.df
    error = np.max(found.error, axis=1)
    # Where all derivatives vanish, the change over one standard uncertainty is the measure of the error.
    changes = np.abs(scaled(np.concatenate([np.eye(len(uncertain)), -np.eye(len(uncertain))], axis=1)))
    reach = np.max(np.where(np.isfinite(changes), changes, 0.0), axis=1)
    bends = _bends(scaled, len(uncertain))
    for row, output in enumerate(measurement.outputs):
        size = max(float(np.linalg.norm(contributions[row])), float(reach[row]), _tiny(values[row]))
        kinked = not np.all(bends[row] <= _WORST * size)
        if kinked or not np.all(np.isfinite(found.df[row])) or not error[row] <= _WORST * size:
            errors = bends[row] if kinked else np.where(np.isfinite(found.df[row]), found.error[row], np.inf)
            worst = int(uncertain[int(np.argmax(errors))])
            raise SimulationError(
                f"{output.name} has no usable derivative by {measurement.inputs[worst].name} here",
                f"move the estimate away from the kink, pole or edge of a root, or {_ALONE}",
            )
    return Slopes(values, contributions, error)


def _bends(scaled: Callable[[Array], Array], inputs: int) -> Array:
    """Return by how much the slopes on both sides differ at a kink, 0 without one, shape (outputs, inputs).

    The difference of the slopes over a step falls with the step where the function is smooth. Central
    differences alone see nothing of a kink.
    """
    unit = np.eye(inputs)
    wide, narrow = (
        np.abs(scaled(step * unit) + scaled(-step * unit)) / step for step in (_KINK_STEP, 0.1 * _KINK_STEP)
    )
    return np.where(narrow > 0.5 * wide, narrow, 0.0)


def second_order_variance(measurement: Measurement) -> Array:
    """Return the terms of next order in the variance (JCGM 100, 5.1.2, note), shape (outputs,).

    ``Σi Σj (½·fij² + fi·fijj)·ui²·uj²``, for independent inputs with symmetric distributions. [unit²]
    """
    estimates, widths = measurement.estimates, measurement.uncertainties
    uncertain = np.flatnonzero(widths)
    n, h = len(uncertain), _FIRST_STEP
    if not n:
        return np.zeros(len(measurement.outputs))
    unit = np.eye(n)
    ones = np.concatenate([h * unit, -h * unit])
    rows, columns = np.triu_indices(n, 1)
    pairs = np.concatenate(
        [h * (a * unit[rows] + b * unit[columns]) for a in (1.0, -1.0) for b in (1.0, -1.0)]
    )
    doubles = np.concatenate([2.0 * h * unit, -2.0 * h * unit])
    points = np.concatenate([ones, doubles, pairs]).T
    x = np.repeat(estimates[:, None], points.shape[1], axis=1)
    x[uncertain] += widths[uncertain, None] * points
    f = measurement.evaluate(x) - measurement.evaluate(estimates)[:, None]
    one, double, cross = f[:, : 2 * n], f[:, 2 * n : 4 * n], f[:, 4 * n :].reshape(len(f), 4, -1)
    result = np.zeros(len(f))
    for k in range(len(f)):
        plus, minus = one[k, :n], one[k, n:]
        first = (8.0 * (plus - minus) - (double[k, :n] - double[k, n:])) / (12.0 * h)
        second = (plus + minus) / h**2
        third = ((double[k, :n] - double[k, n:]) - 2.0 * (plus - minus)) / (2.0 * h**3)
        variance = np.sum(0.5 * second**2 + first * third)
        pp, pm, mp, mm = cross[k]
        mixed = (pp - pm - mp + mm) / (4.0 * h**2)
        # fi·fijj and fj·fjii of every pair.
        by_column = ((pp + pm) - (mp + mm) - 2.0 * (plus - minus)[rows]) / (2.0 * h**3)
        by_row = ((pp + mp) - (pm + mm) - 2.0 * (plus - minus)[columns]) / (2.0 * h**3)
        variance += np.sum(mixed**2 + first[rows] * by_column + first[columns] * by_row)
        result[k] = variance
    return result


def _tiny(value: float) -> float:
    return float(np.finfo(float).eps) * abs(float(value)) / _FIRST_STEP / _WORST * 10.0


def _check_finite(measurement: Measurement, values: Array) -> None:
    for output, value in zip(measurement.outputs, values, strict=True):
        if not np.isfinite(value):
            raise SimulationError(
                f"{output.name} has no value at the best estimates: the function gives {value}",
                "look for a division by zero, a root or a logarithm of a negative number; or, for a pole, "
                f"{_ALONE}",
            )
