"""Distributions without two limits: of few readings (t), and of quantities that cannot be negative.

References
----------
.. [1] JCGM 100:2008, 4.2 and 5.2.3 (readings and their correlation).
.. [2] JCGM 101:2008, clauses 6.4.9 to 6.4.11.
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.uncertainty.distributions import (
    Around,
    Distribution,
    Uncertain,
    check_finite,
    check_width,
    share,
)
from shaftloop_models.parameters import ParameterError

__all__ = ["Exponential", "Gamma", "LogNormal", "Readings", "StudentT"]

Array = NDArray[np.float64]


def _check_dof(value: float) -> None:
    if not value >= 1.0:
        raise ParameterError("dof", f"{value:g} degrees of freedom; allowed: at least 1")


@dataclass(frozen=True)
class StudentT(Around):
    """Scaled and shifted t distribution: what a limited number of readings tells (JCGM 101, 6.4.9).

    Its scale is the standard uncertainty of JCGM 100; its own standard deviation is larger by √(ν/(ν − 2)).
    """

    scale: float
    degrees: float
    """Degrees of freedom ν. [1]"""
    kind: ClassVar[str] = "t"
    extra: ClassVar[str] = "chi_square"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(value=self.value)
        check_width("scale", self.scale)
        _check_dof(self.degrees)

    @property
    def uncertainty(self) -> float:
        """Scale [unit of the quantity]."""
        return self.scale

    @property
    def dof(self) -> float:
        """Degrees of freedom [1]."""
        return self.degrees

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return self.value + self.scale * (score if extra is None else score / np.sqrt(extra))


@dataclass(frozen=True)
class Readings(Distribution):
    """Repeated readings (type A): their mean, s/√n and n − 1 degrees of freedom."""

    readings: tuple[float, ...]
    kind: ClassVar[str] = "readings"
    extra: ClassVar[str] = "chi_square"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(**{f"readings[{i}]": value for i, value in enumerate(self.readings)})
        if len(self.readings) < 2:
            raise ParameterError(
                "readings", f"{len(self.readings)} reading(s); at least 2 are needed for a spread"
            )
        if len(set(self.readings)) == 1:
            raise ParameterError(
                "readings",
                "all are equal: no spread to evaluate; state the resolution as a quantity of its own",
            )

    @property
    def estimate(self) -> float:
        """Mean [unit of the quantity]."""
        return math.fsum(self.readings) / len(self.readings)

    @property
    def uncertainty(self) -> float:
        """Standard deviation of the mean [unit of the quantity]."""
        mean, n = self.estimate, len(self.readings)
        return math.sqrt(math.fsum((value - mean) ** 2 for value in self.readings) / (n * (n - 1)))

    @property
    def dof(self) -> float:
        """Number of readings less one [1]."""
        return len(self.readings) - 1.0

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return self.estimate + self.uncertainty * (score if extra is None else score / np.sqrt(extra))

    def correlation(self, other: "Readings") -> float:
        """Return the correlation with readings taken at the same time (JCGM 100, 5.2.3) [1]."""
        if len(self.readings) != len(other.readings):
            raise ParameterError(
                "readings",
                f"{len(self.readings)} and {len(other.readings)} readings: not taken at the same time",
            )
        products = [
            (a - self.estimate) * (b - other.estimate)
            for a, b in zip(self.readings, other.readings, strict=True)
        ]
        n = len(products)
        return math.fsum(products) / (n * (n - 1)) / (self.uncertainty * other.uncertainty)


@dataclass(frozen=True)
class Exponential(Around):
    """A quantity known to be positive, with a best estimate (JCGM 101, 6.4.10)."""

    kind: ClassVar[str] = "exponential"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_width("value", self.value)

    @property
    def uncertainty(self) -> float:
        """Standard deviation [unit of the quantity]."""
        return self.value

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return -self.value * np.log(share(-score))


@dataclass(frozen=True)
class _Positive(Uncertain):
    def __post_init__(self) -> None:
        """Check the parameters."""
        check_width("value", self.value)
        check_width("standard_uncertainty", self.standard_uncertainty)


@dataclass(frozen=True)
class Gamma(_Positive):
    """Gamma distribution; a count q has mean and variance q + 1 (JCGM 101, 6.4.11)."""

    kind: ClassVar[str] = "gamma"

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        from scipy.special import gammaincinv

        scale = self.standard_uncertainty**2 / self.value
        return np.asarray(scale * gammaincinv(self.value / scale, share(score)), np.float64)


@dataclass(frozen=True)
class LogNormal(_Positive):
    """A positive quantity whose logarithm is normal, by its mean and standard deviation."""

    kind: ClassVar[str] = "lognormal"

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        variance = math.log1p((self.standard_uncertainty / self.value) ** 2)
        return np.asarray(self.value * np.exp(math.sqrt(variance) * score - 0.5 * variance), float)
