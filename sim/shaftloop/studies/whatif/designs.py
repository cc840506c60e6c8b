"""Designs: which values the factors take in candidate number i.

A candidate depends on the study and its number alone, never on what was evaluated before it or where.
"""

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.studies.whatif.factors import Axis, Value
from shaftloop.studies.whatif.form import Design

__all__ = ["MOST_CANDIDATES", "Candidate", "CandidatePlan"]

Array = NDArray[np.float64]

MOST_CANDIDATES = 10_000_000
"""Largest design."""


@dataclass(frozen=True)
class Candidate:
    """One bench of a study."""

    number: int
    """Counted from 0."""
    values: tuple[Value | None, ...]
    """One per factor, in its unit; nothing where the scenario's own value stays."""

    def settings(self, axes: Sequence[Axis]) -> tuple[str, ...]:
        """Return the candidate as ``path=value`` each."""
        pairs = zip(axes, self.values, strict=True)
        return tuple(axis.setting(value) for axis, value in pairs if value is not None)


@dataclass(frozen=True)
class CandidatePlan:
    """All candidates of a study, made as they are asked for."""

    axes: tuple[Axis, ...]
    design: Design

    def __post_init__(self) -> None:
        """Check the size.

        Raises
        ------
        ScenarioError
            Where the design is empty or beyond all measure.
        """
        if not 1 <= self.total <= MOST_CANDIDATES:
            text = f"{self.total}" if self.total < 1e15 else f"{self.total:.1e}"
            allowed = f"between 1 and {MOST_CANDIDATES} can be run"
            raise ScenarioError([f"design: {text} candidates; {allowed}; choose fewer values"])

    @cached_property
    def total(self) -> int:
        """Number of candidates."""
        levels = [len(axis.levels()) for axis in self.axes] if self.design.gridded else []
        if self.design.kind == "grid":
            return math.prod(levels)
        if self.design.kind == "one_at_a_time":
            return 1 + sum(levels)
        rows = self.design.count or 0
        return rows * (len(self.axes) + 2) if self.design.kind == "saltelli" else rows

    def candidates(self, numbers: Sequence[int]) -> list[Candidate]:
        """Return candidates by their numbers, from 0 to the total, quickest where those rise."""
        if self.design.kind == "grid":
            return [Candidate(number, self._grid(number)) for number in numbers]
        if self.design.kind == "one_at_a_time":
            return [Candidate(number, self._single(number)) for number in numbers]
        return [Candidate(number, self._spread(number)) for number in numbers]

    @cached_property
    def together(self) -> NDArray[np.int64]:
        """All candidates in an order in which those that share a shaft line stand together.

        Benches that are simulated in lanes may differ in gains, not in the line: a grid is gone through along
        the factors of its loops first. Other designs have their own order.
        """
        numbers = np.arange(self.total)
        if self.design.kind != "grid":
            return numbers
        places = np.unravel_index(numbers, [len(levels) for levels in self._levels])
        of_line = [place for place, axis in zip(places, self.axes, strict=True) if not _is_gain(axis)]
        return np.lexsort((numbers, *reversed(of_line)))

    @cached_property
    def alike(self) -> int:
        """How many of them, one behind the other in that order, share a line each time."""
        if all(map(_is_gain, self.axes)):
            return self.total
        if self.design.kind != "grid":
            return 1
        return math.prod(len(axis.levels()) for axis in self.axes if _is_gain(axis))

    @cached_property
    def _levels(self) -> list[tuple[Value, ...]]:
        return [axis.levels() for axis in self.axes]

    def _grid(self, number: int) -> tuple[Value | None, ...]:
        """Return a point of the grid; the last factor changes first."""
        values: list[Value] = []
        for levels in reversed(self._levels):
            number, place = divmod(number, len(levels))
            values.append(levels[place])
        return tuple(reversed(values))

    def _single(self, number: int) -> tuple[Value | None, ...]:
        """Return the scenario itself, then each factor alone at each of its values."""
        values: list[Value | None] = [None] * len(self.axes)
        place = number - 1
        for i, levels in enumerate(self._levels):
            if 0 <= place < len(levels):
                values[i] = levels[place]
            place -= len(levels)
        return tuple(values)

    def _spread(self, number: int) -> tuple[Value | None, ...]:
        pairs = zip(self.axes, self._shares(number), strict=True)
        return tuple(axis.at(float(share)) for axis, share in pairs)

    def _shares(self, number: int) -> Array:
        count = len(self.axes)
        if self.design.kind == "monte_carlo":
            return np.asarray(np.random.default_rng([self.design.seed, number]).random(count))
        if self.design.kind == "latin_hypercube":
            return np.asarray(self._hypercube[number])
        if self.design.kind == "sobol":
            return self._sequence(number)
        base, which = divmod(number, count + 2)
        pair = self._sequence(base)
        first, second = pair[:count], pair[count:]
        # Both rows, then the first with one value of the second at a time.
        return np.asarray(second if which == 1 else np.where(np.arange(count) == which - 2, second, first))

    @cached_property
    def _hypercube(self) -> Array:
        from scipy.stats import qmc

        sampler = qmc.LatinHypercube(len(self.axes), seed=np.random.default_rng(self.design.seed))
        points: Array = sampler.random(self.design.count or 0)
        return points

    @cached_property
    def _sequence(self) -> Callable[[int], Array]:
        """Return a reader of a scrambled Sobol sequence, twice as wide for the indices."""
        wide = len(self.axes) * (2 if self.design.kind == "saltelli" else 1)
        return _Sequence(wide, self.design.seed)


def _is_gain(axis: Axis) -> bool:
    return axis.path.startswith("loop.")


class _Sequence:
    """Points of a scrambled Sobol sequence by their number, a block at a time."""

    _BLOCK = 512

    def __init__(self, wide: int, seed: int) -> None:
        self._wide, self._seed = wide, seed
        self._first = -1
        self._points: Array = np.zeros((0, wide))

    def __call__(self, number: int) -> Array:
        first = number - number % self._BLOCK
        if first != self._first:
            self._points, self._first = self._block(first), first
        point: Array = self._points[number - first]
        return point

    def _block(self, first: int) -> Array:
        from scipy.stats import qmc

        sampler = qmc.Sobol(self._wide, scramble=True, seed=np.random.default_rng(self._seed))
        if first:
            sampler.fast_forward(first)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="The balance properties")
            points: Array = sampler.random(self._BLOCK)
        return points
