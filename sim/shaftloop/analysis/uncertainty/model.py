"""A measurement: quantities that go in, how they hang together, and the function that makes the result.

::

    power = Measurement(
        lambda torque, speed: torque * speed,
        [
            Input("torque", Normal(90.0, 0.12), unit="N m"),
            Input("speed", Rectangular(83.8, 0.05), unit="rad/s"),
        ],
        [Output("power", "W")],
    )
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.uncertainty.distributions import (
    Constant,
    CurvilinearTrapezoid,
    Distribution,
    Normal,
    Rectangular,
)
from shaftloop.analysis.uncertainty.tails import Readings, StudentT
from shaftloop.errors import ScenarioError
from shaftloop_models.parameters import ParameterError

__all__ = ["Input", "Measurement", "Output", "correlation_matrix"]

Array = NDArray[np.float64]

_ROUNDING = 1e-9
"""How far below zero an eigenvalue of a correlation matrix may lie by rounding."""


@dataclass(frozen=True)
class Input:
    """A quantity that goes into a measurement."""

    name: str
    distribution: Distribution
    unit: str = "1"
    """Of the numbers in `distribution`."""
    degrees_of_freedom: float | None = None
    """Of the standard uncertainty; the distribution's own where left out. [1]"""
    meaning: str = ""
    """What it is, for tables."""

    def __post_init__(self) -> None:
        """Check the degrees of freedom."""
        if self.degrees_of_freedom is not None and not self.degrees_of_freedom >= 1.0:
            raise ParameterError(
                "dof", f"{self.name}: {self.degrees_of_freedom:g} degrees of freedom; allowed: at least 1"
            )

    @property
    def estimate(self) -> float:
        """Best estimate [unit]."""
        return self.distribution.estimate

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty [unit]."""
        return self.distribution.uncertainty

    @property
    def dof(self) -> float:
        """Degrees of freedom of the standard uncertainty [1]."""
        return self.distribution.dof if self.degrees_of_freedom is None else self.degrees_of_freedom

    @property
    def drawn(self) -> Distribution:
        """The distribution that Monte Carlo draws from, which carries the degrees of freedom as well.

        A normal one of few degrees of freedom is a t distribution (JCGM 101, 6.4.9.7). The limits of a
        rectangular one are then known only within half width/√(2ν), the relative uncertainty of an
        uncertainty after JCGM 100, G.4.2 (as in JCGM 101, 9.5). Other shapes are drawn as they are.
        """
        shape = self.distribution
        if math.isinf(self.dof):
            return shape
        if isinstance(shape, Normal | StudentT | Readings):
            return StudentT(shape.estimate, shape.uncertainty, self.dof)
        if isinstance(shape, Rectangular):
            margin = shape.half_width / math.sqrt(2.0 * self.dof)
            return CurvilinearTrapezoid(shape.value, shape.half_width, margin)
        return shape


@dataclass(frozen=True)
class Output:
    """A result of a measurement."""

    name: str
    unit: str = "1"
    """Of the numbers that the function returns."""
    meaning: str = ""
    """What it is, for tables."""


@dataclass(frozen=True)
class Measurement:
    """A measurement function with its inputs; checked when it is made.

    The function takes one array per input, in their order, and returns one array, or a tuple of one per
    output. It is called with many values at once, so it must be made of operations on numpy arrays.
    `correlations` holds the coefficient of pairs of inputs by name, 0 where left out. [1]
    """

    function: Callable[..., Any]
    inputs: Sequence[Input]
    outputs: Sequence[Output] = (Output("result"),)
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Check the correlations and the function."""
        names = [entry.name for entry in self.inputs]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ScenarioError([f"{twice[0]}: the name of two quantities; names are unique"])
        correlation_matrix(self.inputs, self.correlations)
        self.evaluate(np.repeat(self.estimates[:, None], 2, axis=1))

    @property
    def estimates(self) -> Array:
        """Best estimates, shape (inputs,) [units of the inputs]."""
        return np.array([entry.estimate for entry in self.inputs], float)

    @property
    def uncertainties(self) -> Array:
        """Standard uncertainties, shape (inputs,) [units of the inputs]."""
        return np.array([entry.uncertainty for entry in self.inputs], float)

    @property
    def correlation(self) -> Array:
        """Correlation of the inputs, shape (inputs, inputs) [1]."""
        return correlation_matrix(self.inputs, self.correlations)

    def evaluate(self, values: Array) -> Array:
        """Return the results, shape (outputs, ...), of values of shape (inputs, ...) [their units].

        Raises
        ------
        ScenarioError
            Where the function fails on arrays or returns something else than its outputs.
        """
        with np.errstate(all="ignore"):
            try:
                results = self.function(*values)
                rows = list(results) if isinstance(results, tuple | list) else [results]
                if len(rows) != len(self.outputs):
                    raise ValueError(f"it returned {len(rows)}")
                return np.stack([np.broadcast_to(np.asarray(row, float), values.shape[1:]) for row in rows])
            except (TypeError, ValueError, AttributeError) as error:
                raise ScenarioError(
                    [
                        "the measurement function cannot be evaluated: it must take one array per input "
                        f"and return {len(self.outputs)} of the same shape ({error})"
                    ]
                ) from None


def correlation_matrix(inputs: Sequence[Input], pairs: Mapping[tuple[str, str], float]) -> Array:
    """Return the correlation matrix of the inputs, shape (inputs, inputs) [1], of coefficients by names.

    Raises ScenarioError where a name is unknown, a coefficient lies outside -1 to 1, or the whole cannot be:
    no quantities have a correlation matrix with a negative eigenvalue.
    """
    place = {entry.name: i for i, entry in enumerate(inputs)}
    matrix = np.eye(len(inputs))
    for (first, second), coefficient in pairs.items():
        label = f"correlation of {first} and {second}"
        for name in (first, second):
            if name not in place:
                raise ScenarioError([f"{label}: no quantity {name}; known: {', '.join(place)}"])
            if isinstance(inputs[place[name]].distribution, Constant) and coefficient:
                raise ScenarioError([f"{label}: {name} is a constant and correlates with nothing"])
        if first == second:
            raise ScenarioError([f"{label}: a quantity with itself; name two"])
        if not -1.0 <= coefficient <= 1.0:
            raise ScenarioError([f"{label}: {coefficient:g} is out of range; allowed: -1 to 1"])
        i, j = place[first], place[second]
        matrix[i, j] = matrix[j, i] = coefficient
    lowest = float(np.linalg.eigvalsh(matrix)[0]) if len(inputs) else 0.0
    if lowest < -_ROUNDING:
        named = sorted({name for pair in pairs for name in pair})
        raise ScenarioError(
            [
                f"correlation of {', '.join(named)}: not positive semidefinite (eigenvalue {lowest:.3g}): "
                "no quantities can hang together like this; make the coefficients smaller or consistent"
            ]
        )
    return matrix
