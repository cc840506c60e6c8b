"""Probability distributions of the input quantities of a measurement: the normal one, and those with limits.

Every distribution is driven by a standard normal score z, so that correlated inputs need nothing but
correlated scores (a Gaussian copula): p = Φ(z) goes through the inverse of the distribution. Two need a
second random number that is independent of z: the t distribution a chi-square, the curvilinear trapezoid the
place of its limits.

References
----------
.. [1] JCGM 101:2008, clauses 6.4.2 to 6.4.7: the distributions and how to draw them.
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.parameters import ParameterError

__all__ = [
    "ArcSine",
    "Around",
    "Constant",
    "CurvilinearTrapezoid",
    "Distribution",
    "Normal",
    "Rectangular",
    "Trapezoidal",
    "Triangular",
    "Uncertain",
    "check_finite",
    "check_width",
    "share",
]

Array = NDArray[np.float64]


class Distribution:
    """What is known about a quantity before the measurement is evaluated."""

    kind: ClassVar[str]
    """Name for tables."""
    extra: ClassVar[str] = ""
    """Second random number: none, ``uniform`` on 0 to 1, or ``chi_square`` over its degrees of freedom."""

    @property
    def estimate(self) -> float:
        """Best estimate [unit of the quantity]."""
        raise NotImplementedError

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty after JCGM 100 [unit of the quantity]."""
        raise NotImplementedError

    @property
    def dof(self) -> float:
        """Degrees of freedom of the standard uncertainty [1]."""
        return math.inf

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values of standard normal scores, shape (trials,); `extra` as the class asks for."""
        raise NotImplementedError


def check_finite(**numbers: float) -> None:
    """Refuse parameters that are no finite numbers."""
    for key, value in numbers.items():
        if not math.isfinite(value):
            raise ParameterError(key, f"{value} is no finite number")


def check_width(key: str, value: float) -> None:
    """Refuse a width that is not above 0 [unit of the quantity]."""
    check_finite(**{key: value})
    if value <= 0.0:
        raise ParameterError(key, f"{value:g} must be above 0; leave the distribution out for a constant")


def share(score: Array) -> Array:
    """Return the probability below standard normal scores [1]."""
    from scipy.special import ndtr

    result: Array = ndtr(score)
    return result


@dataclass(frozen=True)
class Around(Distribution):
    """A distribution with its best estimate as a parameter."""

    value: float
    """Best estimate."""

    @property
    def estimate(self) -> float:
        """Best estimate [unit of the quantity]."""
        return self.value


@dataclass(frozen=True)
class Uncertain(Around):
    """A distribution by best estimate and standard uncertainty."""

    standard_uncertainty: float

    @property
    def uncertainty(self) -> float:
        """Standard deviation [unit of the quantity]."""
        return self.standard_uncertainty


@dataclass(frozen=True)
class Constant(Around):
    """A quantity without uncertainty."""

    kind: ClassVar[str] = "constant"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(value=self.value)

    @property
    def uncertainty(self) -> float:
        """Zero [unit of the quantity]."""
        return 0.0

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the value once per score."""
        return np.full_like(score, self.value)


@dataclass(frozen=True)
class Normal(Uncertain):
    """Normal distribution, by its standard uncertainty."""

    kind: ClassVar[str] = "normal"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(value=self.value)
        check_width("standard_uncertainty", self.standard_uncertainty)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return self.value + self.standard_uncertainty * score


@dataclass(frozen=True)
class Limited(Around):
    """A distribution with two limits."""

    half_width: float

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(value=self.value)
        check_width("half_width", self.half_width)


@dataclass(frozen=True)
class Rectangular(Limited):
    """All values within the limits equally likely."""

    kind: ClassVar[str] = "rectangular"

    @property
    def uncertainty(self) -> float:
        """Half width over √3 [unit of the quantity]."""
        return self.half_width / math.sqrt(3.0)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return self.value + self.half_width * (2.0 * share(score) - 1.0)


@dataclass(frozen=True)
class Trapezoidal(Limited):
    """Symmetric trapezoid on a base: the sum of two rectangular quantities."""

    top: float
    """Width of the top over that of the base, 0 to 1. [1]"""
    kind: ClassVar[str] = "trapezoidal"

    def __post_init__(self) -> None:
        """Check the parameters."""
        super().__post_init__()
        if not 0.0 <= self.top <= 1.0:
            raise ParameterError(
                "top", f"{self.top:g} is out of range; allowed: 0 (triangle) to 1 (rectangle)"
            )

    @property
    def uncertainty(self) -> float:
        """Standard deviation [unit of the quantity]."""
        return self.half_width * math.sqrt((1.0 + self.top**2) / 6.0)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        tail = share(-np.abs(score))
        slope, flat = 1.0 - self.top, 1.0 + self.top
        corner = 0.5 * slope / flat
        side = np.where(tail < corner, 1.0 - np.sqrt(2.0 * tail * slope * flat), flat * (0.5 - tail))
        return self.value + self.half_width * np.copysign(side, score)


@dataclass(frozen=True)
class Triangular(Distribution):
    """Triangle between two limits, with its peak anywhere between them."""

    lower: float
    upper: float
    peak: float
    kind: ClassVar[str] = "triangular"

    def __post_init__(self) -> None:
        """Check the parameters."""
        check_finite(lower=self.lower, upper=self.upper, peak=self.peak)
        check_width("upper", self.upper - self.lower)
        if not self.lower <= self.peak <= self.upper:
            raise ParameterError("peak", f"{self.peak:g} lies outside {self.lower:g} to {self.upper:g}")

    @property
    def estimate(self) -> float:
        """Mean [unit of the quantity]."""
        return (self.lower + self.upper + self.peak) / 3.0

    @property
    def uncertainty(self) -> float:
        """Standard deviation [unit of the quantity]."""
        left, right = self.peak - self.lower, self.upper - self.peak
        return math.sqrt((left * left + left * right + right * right) / 18.0)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        left, right = self.peak - self.lower, self.upper - self.peak
        below, width = share(score), left + right
        rising = self.lower + np.sqrt(below * width * left)
        return np.where(below * width < left, rising, self.upper - np.sqrt(share(-score) * width * right))


@dataclass(frozen=True)
class ArcSine(Limited):
    """U-shaped: the value of a sine of unknown phase (JCGM 101, 6.4.6), its amplitude the half width."""

    kind: ClassVar[str] = "arcsine"

    @property
    def uncertainty(self) -> float:
        """Half width over √2 [unit of the quantity]."""
        return self.half_width / math.sqrt(2.0)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        return self.value + self.half_width * np.sin(np.pi * (share(score) - 0.5))


@dataclass(frozen=True)
class CurvilinearTrapezoid(Limited):
    """A rectangle whose limits are known only within a margin (JCGM 101, 6.4.3)."""

    margin: float
    """Both limits lie within ± this around their best estimate, the middle being fixed."""
    kind: ClassVar[str] = "curvilinear trapezoid"
    extra: ClassVar[str] = "uniform"

    def __post_init__(self) -> None:
        """Check the parameters."""
        super().__post_init__()
        if not 0.0 <= self.margin <= self.half_width:
            raise ParameterError(
                "margin", f"{self.margin:g} is out of range; allowed: 0 to the half width {self.half_width:g}"
            )

    @property
    def uncertainty(self) -> float:
        """Standard deviation [unit of the quantity]."""
        return math.sqrt(self.half_width**2 / 3.0 + self.margin**2 / 9.0)

    def values(self, score: Array, extra: Array | None = None) -> Array:
        """Return the values that belong to scores."""
        place = np.full_like(score, 0.5) if extra is None else extra
        width = self.half_width + self.margin * (2.0 * place - 1.0)
        return self.value + width * (2.0 * share(score) - 1.0)
