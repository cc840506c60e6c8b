"""Shape parameters of a controller and its gains improved together."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.bounds import reached
from shaftloop.studies.tuning.controller import feedback, with_gains
from shaftloop.studies.tuning.descent import descend
from shaftloop.studies.tuning.figures import sensitivity_peaks
from shaftloop.studies.tuning.search import Search, Trial

__all__ = ["polished"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BANDS = 8
"""Parts of the grid of frequencies in each of which Ms and Mt are limits of their own."""
_STEPS, _AGAIN = 30, 4
"""Steps at most; times that peaks between the frequencies of the grid make it begin again at most."""
_GAIN, _SHAPE, _DIFFERENCE = 0.25, 0.06, 0.01
"""Unit of the gains' logarithms; differences of parameters and gains for slopes, over their unit."""
_WORTH = 1e-3, 1e-4
"""Share of the cost that a step must promise, half of what beginning again must bring: first, last."""
_INSIDE, _HARDLY = 1e-6, 1e-4
"""By which the search stays inside its limits; by which gains may be outside to be pulled back later."""
_FAR = 3.0
"""Excess beyond which nobody asks how much it is."""


@dataclass
class _Candidates:
    """Controllers by their free parameters, and the best seen that keeps the limits."""

    search: Search
    shape: Callable[[Array], Loop | None]
    start: Array
    free: list[int]
    first: Array
    """Free parameters, kp over its size and the logarithm of ki, where the search starts."""
    units: Array
    size: float
    """Of kp."""
    closer: list[tuple[int, float, float]] = field(default_factory=list)
    """Plants with frequencies between which the grid is too coarse [Hz]."""
    best: Trial | None = None
    at: Array = field(default_factory=lambda: np.zeros(0))
    """Unknowns of the best."""

    def point(self, at: Array) -> Array:
        """Return the shape's parameters at unknowns."""
        point = self.start.copy()
        point[self.free] = (self.first + at * self.units)[:-2]
        return point

    def loop(self, at: Array) -> Loop | None:
        """Return the controller at unknowns, nothing outside the allowed range."""
        values, shape = self.first + at * self.units, self.shape(self.point(at))
        if shape is None:
            return None
        return with_gains(shape, self.size * max(float(values[-2]), 0.0), float(np.exp(values[-1])))

    def look(self, at: Array, near: bool) -> Array | None:
        """Return logarithms of the cost, and of all that is bounded over its bound."""
        loop, search = self.loop(at), self.search
        if loop is None or not (near or search.is_stable(loop)):
            return None
        cost = search.cost(loop)
        excess = np.concatenate([*self._peaks(loop), self._others(at, loop)])
        if not 0.0 < cost < np.inf or np.any(np.isnan(excess)):
            return None
        excess = np.clip(excess, -_FAR, _FAR) + _INSIDE
        if not near and excess.max() <= _HARDLY and (self.best is None or cost < self.best.cost):
            self.best, self.at = Trial(loop, cost), at
        return np.concatenate([[np.log(cost)], excess])

    def _peaks(self, loop: Loop) -> list[Array]:
        """Return by how much Ms and Mt are exceeded in each band, at each plant."""
        found, plants = [], [plant.under(loop) for plant in self.search.plants]
        for plant in plants:
            response = plant.parts(loop).response(loop.kp.value, loop.ki.value)
            found += [_highest(plant.frequency, size) for size in self._sizes(response)]
        for number, low, high in self.closer:
            near, response, damping = plants[number].near(low, high)
            opened = feedback(loop, near) * response + damping
            found += [_highest(near, size, 1) for size in self._sizes(opened)]
        return found

    def _sizes(self, response: Complex) -> tuple[Array, Array]:
        """Return |S| and |T| over their bounds, as logarithms."""
        bounds, far = self.search.bounds, np.log(np.abs(1.0 + response))
        return -far - np.log(bounds.ms), np.log(np.abs(response)) - far - np.log(bounds.mt)

    def refined(self, loop: Loop) -> bool:
        """Return whether the grid was too coarse for a loop; from now on it is not."""
        bounds, found = self.search.bounds, len(self.closer)
        peaks = sensitivity_peaks(self.search.plants, loop)
        for peak, bound in zip(peaks, (bounds.ms, bounds.mt), strict=True):
            if peak.value > bound * (1.0 + _HARDLY):
                grid = self.search.plants[peak.plant].under(loop).frequency
                place = int(np.clip(np.searchsorted(grid, peak.frequency), 1, len(grid) - 2))
                self.closer.append((peak.plant, float(grid[place - 1]), float(grid[place + 1])))
        return len(self.closer) > found

    def _others(self, at: Array, loop: Loop) -> Array:
        """Return by how much other bounds are exceeded: kp above 0, the anti-windup, and the rest."""
        kp, ki = loop.kp.value, loop.ki.value
        found = [-float(self.first[-2] / self.units[-2] + at[-2])]
        if loop.anti_windup == "back_calculation":
            found.append(float(np.log(max(ki / float(loop.rate), 1e-300) / max(kp, 1e-300))))
        rest = reached(self.search.plants, self.search.bounds, loop)
        return np.array([*found, *(bound.excess for bound in rest)])


def _highest(frequency: Array, size: Array, bands: int = _BANDS) -> Array:
    """Return the highest value in each band, a peak between frequencies by a parabola through three."""
    width = -(-len(size) // bands)
    padded = np.full(bands * width, -np.inf)
    padded[: len(size)] = size
    top = padded.reshape(bands, width).argmax(axis=1) + width * np.arange(bands)
    top = np.minimum(top, len(size) - 1)
    highest, top = size[top], np.clip(top, 1, len(size) - 2)
    left, right = frequency[top] - frequency[top - 1], frequency[top + 1] - frequency[top]
    rise, fall = (size[top] - size[top - 1]) / left, (size[top] - size[top + 1]) / right
    bend = (rise + fall) / (left + right)
    slope = rise - bend * left
    peak = (rise > 0.0) & (fall > 0.0)
    return np.asarray(highest + np.where(peak, slope**2 / (4.0 * np.where(peak, bend, 1.0)), 0.0))


def polished(
    search: Search,
    shape: Callable[[Array], Loop | None],
    start: tuple[float, ...],
    steps: tuple[float, ...],
    trial: Trial,
    *,
    fine: bool = False,
) -> tuple[Trial, tuple[float, ...]] | None:
    """Return a controller improved in its parameters and gains, with the former; nothing where none is found.

    Parameters
    ----------
    search : Search
        With the bounds.
    shape : callable
        The controller by its parameters, gains open; nothing outside the allowed range.
    start : tuple of float
        Parameters to begin with.
    steps : tuple of float
        Large steps of them; those without one stay.
    trial : Trial
        Stable gains to begin with.
    fine : bool
        As far as it goes; else until a step promises little.
    """
    free, loop = [i for i, step in enumerate(steps) if step], trial.loop
    size = max(loop.kp.value, loop.ki.value / float(loop.rate))
    first = np.array([*(start[i] for i in free), loop.kp.value / size, np.log(loop.ki.value)])
    units = np.array([*(steps[i] for i in free), _GAIN, _GAIN])
    differences = np.array([_SHAPE] * len(free) + [_DIFFERENCE] * 2)
    candidates = _Candidates(search, shape, np.array(start), free, first, units, size)
    at = np.zeros(len(first))
    best, place, before = None, at, np.inf
    with np.errstate(all="ignore"):
        for _ in range(_AGAIN):
            at = descend(candidates.look, at, differences, _WORTH[fine], _STEPS)
            if candidates.best is None:
                break
            best, at = candidates.best, candidates.at
            place = at
            if candidates.refined(best.loop):
                candidates.best, place, before = None, at, np.inf
            elif best.cost > (1.0 - 2.0 * _WORTH[fine]) * before:
                break
            else:
                before = best.cost
    return None if best is None else (best, tuple(map(float, candidates.point(place))))
