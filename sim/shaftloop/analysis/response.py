"""Frequency response of an opened loop on a grid that misses no resonance.

The loop is broken at its actuator command. Where it ticks once per hyperperiod its response is a scalar
transfer; where it ticks several times it is periodically time-varying, and the response at the frequency
that goes in (the fundamental) is given. The fundamental of the closed loop is then not that of the opened one
closed, because what goes out at images of a frequency comes back at the frequency itself: see
`analysis.sensitivity`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import AT_ONE, OpenLoop
from shaftloop.analysis.resolvent import powers
from shaftloop.errors import SimulationError

__all__ = [
    "Crossing",
    "fundamental",
    "gain_crossings",
    "grid",
    "phase_crossings",
    "real_crossings",
    "refined",
    "root",
    "transfer",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_AROUND = np.concatenate([[0.0], np.geomspace(0.03, 30.0, 13)])
"""Distances from a pole or zero, in units of its half-width, at which the grid has points."""
_SMOOTH = 0.5
"""Damping beyond which a pole or zero shows on the ordinary grid well enough."""
_NARROW = 0.1
"""Half-width over frequency beyond which the ordinary grid shows an image well enough."""
_GRAZES = 0.1
"""Imaginary over real part below which L may reach over the real axis between two points of the grid."""
_LOOKS, _LOOK = 5, 33
"""How often, and with how many points, it is looked at there, each time sixteen times as close."""
_FLAT = 0.2
"""Size of a pole below which it makes no peak, as its motion is gone within a hyperperiod."""
_REAL = 1e-9
"""Share of a pole below which rounding may have made its imaginary part."""
_ORDINARY = 48
"""Points per decade of the ordinary grid."""
_SPLIT = 1e-5
"""Distance from 1 up to which rounding may split eigenvalues of 1."""
_SINGULAR = 1e-5
"""Distance from an image of 0 Hz below which L is taken from both sides, relative to 1/hyperperiod."""
_LEAST = 0.02
"""Share of a stretch from either end of which a straight line may lead at first."""
_EXACT = 1e-12
"""Of a frequency at which something crosses, the share up to which it is found."""
_AT_EDGE = 1e-9
"""Share of half the rate by which a crossing below it differs from the one there."""
_NOTHING = 1e-300
"""Stands for a response that vanishes, where a logarithm is due."""
_LOWEST = 1e-5
"""Lowest frequency of the grid, relative to half the rate of the loop, unless a pole or zero lies lower."""
_BELOW = 0.01
"""Lowest frequency of the grid, relative to the slowest pole or zero."""


@dataclass(frozen=True)
class Crossing:
    """A frequency at which the open-loop response crosses a boundary."""

    kind: str
    """``gain`` where |L| = 1, ``phase`` where L is real and negative."""
    frequency: float
    """[Hz]"""
    value: float
    """Phase margin there [deg] for ``gain``, factor 1/|L| for ``phase``."""


def fundamental(loop: OpenLoop, frequency: Array) -> Complex:
    """Return L(f) of an opened loop, shape (n,); negative feedback, so the loop is closed by 1 + L.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        Up to half the rate of the loop. [Hz]

    Raises
    ------
    SimulationError
        Where a frequency lies above.
    """
    points = np.asarray(frequency, dtype=np.float64)
    half, highest = 0.5 / loop.period, float(np.max(points, initial=0.0))
    if highest > half * (1.0 + 1e-9):
        raise SimulationError(
            f"a response at {highest:.6g} Hz was asked for, above half the rate of the loop, {half:.6g} Hz",
            "ask for lower frequencies: a sampled loop has no response beyond",
        )
    return -transfer(loop, points)


def transfer(loop: OpenLoop, frequency: Array) -> Complex:
    """Return the fundamental of what comes out over what goes in, shape (n,).

    At images of 0 Hz it is taken from both sides: a loop that integrates has a singular pencil there.

    The integral of a sampled image of 0 Hz is 0 over infinity there, and the response goes through smoothly.
    Beyond half the rate it is the conjugate of that before, which the formula knows.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        [Hz]
    """
    image = np.rint(frequency * loop.hyperperiod) / loop.hyperperiod
    beside = _SINGULAR / loop.hyperperiod
    near = (image > 0.0) & (np.abs(frequency - image) < beside)
    if not near.any():
        return _response(loop, frequency)
    result = _response(loop, np.where(near, image - beside, frequency))
    above = _response(loop, image[near] + beside)
    share = 0.5 + 0.5 * (frequency[near] - image[near]) / beside
    result[near] += share * (above - result[near])
    return result


def _response(loop: OpenLoop, frequency: Array) -> Complex:
    omega = 2.0 * np.pi * frequency
    if len(loop.instants) == 1:
        # What turns in and back again over the one instant cancels.
        return loop.lifted(np.exp(1j * omega * loop.hyperperiod))[:, 0, 0]
    wave = np.exp(1j * np.outer(omega, loop.instants))
    through = loop.resolvent.along(np.exp(1j * omega * loop.hyperperiod), wave)
    below, above = loop.lags
    turned = powers(np.exp(-1j * omega * loop.period), len(below) - 1)
    direct = below[0] + turned @ below[1:] + turned[:, : len(above)].conj() @ above
    return np.asarray((through + direct) / len(loop.instants))


def grid(loop: OpenLoop, least: float = 0.0) -> Array:
    """Return frequencies, dense around every pole and zero of the opened and of the closed loop [Hz].

    Parameters
    ----------
    least : float
        A pole that raises L, or S of the closed loop, by less than this at an image is not looked at there.
    """
    half = 0.5 / loop.period
    # The response takes the form of the opened loop anyway.
    opened = _poles_and_images(loop, loop.resolvent.poles, least)
    closed = _poles_and_images(loop.disturbed, loop.disturbed.poles, least)
    zeros = _in_motion(_zeros(loop))
    # A zero makes a dip at an image where a pole makes a peak: elsewhere what comes back is small and smooth.
    some = np.any([seen[np.abs(poles) > _FLAT].any(axis=0) for poles, seen in (opened, closed)], axis=0)
    values = np.concatenate([opened[0], closed[0], zeros])
    images = np.vstack([opened[1], closed[1], np.tile(some, (len(zeros), 1))])
    rates = np.log(values) / loop.hyperperiod
    slowest = float(np.min(np.abs(rates), initial=np.inf)) / (2.0 * np.pi)
    lowest = min(_LOWEST * half, _BELOW * slowest)
    points = [np.geomspace(lowest, half, round(_ORDINARY * math.log10(half / lowest)))]
    turning = values.imag > -_REAL * np.abs(values)
    # The other one of a pair is the same peak at the image on the other side of 0.
    rates, images = rates[turning], images[turning]
    count = len(loop.instants)
    aliases = np.arange(count) / loop.hyperperiod
    centre, width = rates.imag[:, None] / (2.0 * np.pi), np.abs(rates.real)[:, None] / (2.0 * np.pi)
    widest = np.where(aliases > 0.0, _NARROW, _SMOOTH)
    for sign in (1, -1):
        folded = np.abs(aliases + sign * centre)
        spread = np.maximum(width, 1e-9 * half)
        shown = (spread < widest * folded) & images[:, sign * np.arange(count) % count]
        around = np.broadcast_to(spread, shown.shape)[shown]
        points += [folded[shown] + side * step * around for step in _AROUND for side in (1.0, -1.0)]
    every = np.unique(np.concatenate(points))
    return every[(every >= lowest) & (every <= half)]


def _poles_and_images(system: OpenLoop, poles: Complex, least: float) -> tuple[Complex, NDArray[np.bool_]]:
    """Return the poles of a system that are in motion, and at which images each is seen, shape (n, p).

    What a pole adds to the fundamental response at its images follows from its two eigenvectors.
    """
    from scipy.linalg import eig

    count = len(system.instants)
    if least == 0.0 or count == 1:
        values = _in_motion(poles)
        return values, np.ones((len(values), count), dtype=np.bool_)
    form = system.resolvent
    every, common = form.poles, np.ones(len(form.into))
    into, out = form.into.conj(), form.out.T
    if not len(into):  # too alike to be told apart: the vectors of poles that are nearly one vanish together
        every, left, right = eig(system.a, left=True, right=True)  # type: ignore[misc]
        into, out = (left.conj().T @ system.b).conj(), (system.c @ right).T
        common = np.abs(np.sum(left.conj() * right, axis=0))
    modes = len(into)
    back = np.exp(-1j * np.outer(np.angle(every[:modes]) / system.hyperperiod, system.instants))
    size = np.abs(np.fft.fft(back * into) * np.fft.fft(back * out))
    # What is soon gone makes no peak.
    seen = np.zeros((len(every), count), dtype=np.bool_)
    seen[:modes] = size >= least * (common * np.abs(1.0 - np.abs(every[:modes])))[:, None] * count
    seen[:, 0] = True
    values = _in_motion(every)
    return values, seen[np.isin(every, values)]


def _in_motion(values: NDArray[Any]) -> Complex:
    """Drop eigenvalues at 0 and at 1; two of them at 1 are split by rounding, but around 1."""
    values = values[np.abs(values) > 1e-6].astype(np.complex128)
    near = np.abs(values - 1.0) < _SPLIT
    if near.any() and abs(np.mean(values[near]) - 1.0) < AT_ONE:
        return np.asarray(values[~near])
    return np.asarray(values[np.abs(values - 1.0) > AT_ONE])


def _zeros(loop: OpenLoop) -> Complex:
    """Return the zeros of L, and values without meaning beside them."""
    try:
        # Where the gain is huge, the closed loop's poles are the zeros.
        return np.linalg.eigvals(loop.closed(1e9)).astype(np.complex128)
    except np.linalg.LinAlgError:
        # Many ticks in a hyperperiod: the gain's powers leave nothing of the 1. Slower, and always right.
        from scipy.linalg import eigvals

        unforced = np.zeros((len(loop.a) + len(loop.d),) * 2)
        unforced[: len(loop.a), : len(loop.a)] = np.eye(len(loop.a))
        values = eigvals(np.block([[loop.a, loop.b], [loop.c, loop.d]]), unforced)
        return np.asarray(values[np.isfinite(values)])


def gain_crossings(loop: OpenLoop, frequency: Array, response: Complex) -> list[Crossing]:
    """Return every gain crossover of a loop, by frequency.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    response : ndarray, shape (n,)
        L on the grid.
    """
    size = np.log(np.maximum(np.abs(response), _NOTHING))
    i = np.flatnonzero(size[:-1] * size[1:] < 0.0)
    places = refined(
        lambda f: np.log(np.abs(fundamental(loop, f))), frequency[i], frequency[i + 1], (size[i], size[i + 1])
    )
    angles = np.degrees(np.angle(-fundamental(loop, places)))
    return [Crossing("gain", float(at), float(angle)) for at, angle in zip(places, angles, strict=True)]


def phase_crossings(loop: OpenLoop, frequency: Array, response: Complex) -> list[Crossing]:
    """Return every phase crossover of a loop, by frequency.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    response : ndarray, shape (n,)
        L on the grid.
    """
    crossings = real_crossings(lambda f: fundamental(loop, f), frequency, response)
    return [Crossing("phase", at, factor) for at, factor in crossings]


def real_crossings(
    value_at: Callable[[Array], Complex], frequency: Array, values: Complex
) -> list[tuple[float, float]]:
    """Return where a function of frequency is real and negative [Hz], and its factor to -1 there.

    Parameters
    ----------
    value_at : callable
        The function.
    frequency, values : ndarray, shape (n,)
        A grid up to where it is real by itself [Hz], and what is known there.
    """
    found = []
    values, edge = values.copy(), complex(values[-1])
    real_at_edge = abs(edge.imag) < 1e-6 * abs(edge)
    if real_at_edge:
        # The sign of what rounding leaves there is no crossing of its own.
        values[-1] = edge.real
    frequency, values = _with_grazes(value_at, frequency, values)
    imaginary, negative = values.imag, (values.real[:-1] < 0.0) | (values.real[1:] < 0.0)
    i = np.flatnonzero((imaginary[:-1] * imaginary[1:] < 0.0) & negative)
    ends = imaginary[i], imaginary[i + 1]
    places = refined(lambda f: value_at(f).imag, frequency[i], frequency[i + 1], ends)
    if real_at_edge:  # what rounding makes of the last stretch is the edge again
        places = places[places < (1.0 - _AT_EDGE) * frequency[-1]]
    for at, value in zip(places.tolist(), value_at(places).tolist(), strict=True):
        if value.real < 0.0 and abs(value.imag) < 1e-3 * abs(value.real):
            found.append((at, -1.0 / value.real))
    if real_at_edge and edge.real < 0.0:
        found.append((float(frequency[-1]), -1.0 / edge.real))
    return found


def _with_grazes(
    value_at: Callable[[Array], Complex], frequency: Array, values: Complex
) -> tuple[Array, Complex]:
    """Return a grid, with a point where a function reaches over the negative real axis between two of it.

    The circle of a resonance may do so by so little that both crossings fall between two points.
    """
    imaginary, real = values.imag, values.real
    size = np.abs(imaginary)
    inner = (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & (size[1:-1] < _GRAZES * np.abs(real[1:-1]))
    same = (imaginary[1:-1] * imaginary[:-2] > 0.0) & (imaginary[1:-1] * imaginary[2:] > 0.0)
    added = []
    for i in np.flatnonzero(inner & same & (real[1:-1] < 0.0)) + 1:
        low, high = frequency[i - 1], frequency[i + 1]
        for _ in range(_LOOKS):
            points = np.linspace(low, high, _LOOK)
            beyond = np.sign(imaginary[i]) * value_at(points).imag
            k = int(np.argmin(beyond))
            if beyond[k] < 0.0:
                added.append(points[k])
                break
            low, high = points[max(k - 1, 0)], points[min(k + 1, _LOOK - 1)]
    if not added:
        return frequency, values
    places, further = np.searchsorted(frequency, added), value_at(np.array(added))
    return np.insert(frequency, places, added), np.insert(values, places, further)


def root(
    function: Callable[[float], float], low: float, high: float, ends: tuple[float, float] | None = None
) -> float:
    """Return a zero of a function between two numbers at which its signs differ, as `refined` finds it.

    Parameters
    ----------
    function : callable
        Of one number.
    low, high : float
        In the unit of its argument.
    ends : tuple of float, optional
        Its values there, where they are known.
    """
    known = None if ends is None else (np.array(ends[:1]), np.array(ends[1:]))
    found = refined(lambda x: np.array([function(float(x[0]))]), np.array([low]), np.array([high]), known)
    return float(found[0])


def refined(
    function: Callable[[Array], Array], low: Array, high: Array, ends: tuple[Array, Array] | None = None
) -> Array:
    """Return zeros of a function of frequency, each between two points of different sign, shape (n,) [Hz].

    Where the signs differ by rounding alone it is the end at which less is left.

    Parameters
    ----------
    function : callable
        Takes and returns shape (k,).
    low, high : ndarray, shape (n,)
        [Hz]
    ends : tuple of ndarray, shape (n,), optional
        What the function is there, where that is known.

    References
    ----------
    .. [1] T. R. Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
       function without using derivatives", Advances in Engineering Software 28 (1997) 145-149. From memory;
       tested.
    """
    x, other = np.array(low, dtype=np.float64), np.array(high, dtype=np.float64)
    value, beyond = ends or ((function(x), function(other)) if len(x) else (x, x))
    result = np.where(np.abs(value) < np.abs(beyond), x, other)
    left = np.flatnonzero(value * beyond < 0.0)
    x, other, value, beyond = x[left], other[left], value[left], beyond[left]
    share = np.clip(value / (value - beyond), _LEAST, 1.0 - _LEAST)
    while len(left):
        new = x + share * (other - x)
        found = function(new)
        same = np.sign(found) == np.sign(value)
        third, third_value = np.where(same, x, other), np.where(same, value, beyond)
        other, beyond = np.where(same, other, x), np.where(same, beyond, value)
        x, value = new, found
        result[left] = np.where(np.abs(value) < np.abs(beyond), x, other)
        least = 0.5 * _EXACT * np.abs(result[left]) / np.maximum(np.abs(other - x), _NOTHING)
        go = (least < 0.5) & (value != 0.0)
        left, x, other, third, least = (array[go] for array in (left, x, other, third, least))
        value, beyond, third_value = value[go], beyond[go], third_value[go]
        along, rise = (x - other) / (third - other), (value - beyond) / (third_value - beyond)
        share = np.full(len(left), 0.5)
        curved = (rise**2 < along) & ((1.0 - rise) ** 2 < 1.0 - along)
        a, b, c = value[curved], beyond[curved], third_value[curved]
        reach = ((third - x) / (other - x))[curved]
        share[curved] = a / (b - a) * c / (b - c) + reach * a / (c - a) * b / (c - b)
        share = np.clip(share, least, 1.0 - least)
    return result
