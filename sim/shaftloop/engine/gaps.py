"""The gap lengths of a run and their matrices."""

from typing import Protocol

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.calendar import Clock
from shaftloop.engine.matrices import exponential_pack, noise_root, pack_shapes, plain_pack
from shaftloop.engine.model import Model
from shaftloop.engine.steprule import Stepping
from shaftloop.engine.types import LINE, Floats, aligned

__all__ = ["Gaps"]


class _Sections(Protocol):
    head: list[int]

    def ints(self, word: int, values: list[int]) -> None: ...

    def floats(self, word: int, values: Floats) -> None: ...


class Gaps:
    """Matrices per gap length; grows when an event asks for a new length.

    Parameters
    ----------
    model : Model
        The bench.
    clock : Clock
        Length of a tick.
    stepping : Stepping
        Method and step rule.
    """

    def __init__(self, model: Model, clock: Clock, stepping: Stepping) -> None:
        self.stepping = stepping
        self._model, self._clock = model, clock
        self._numbers: dict[int, int] = {}
        self._packs: list[Floats] = []
        self._roots: list[Floats] = []
        self._steps: list[tuple[int, float]] = []
        self._fine: list[int] = []

    @property
    def count(self) -> int:
        """Number of gap lengths."""
        return len(self._numbers)

    def number(self, length: int) -> int:
        """Return the number of a gap length in ticks, with its matrices made where it is new."""
        if length not in self._numbers:
            seconds = length / self._clock.ticks_per_second
            substeps = self.stepping.substeps(seconds)
            step = seconds / substeps
            exponential = self.stepping.method == at.ETD4
            plant = self._model.plant
            pack = exponential_pack(plant, step) if exponential else plain_pack(plant)
            self._packs.append(np.concatenate([pack, np.zeros(-pack.size % LINE)]))
            roots = [noise_root(c.f, c.g, c.density, seconds).ravel() for c in self._model.noises]
            self._roots.append(np.concatenate(roots) if roots else np.zeros(0))
            self._steps.append((substeps, step))
            self._numbers[length] = len(self._numbers)
        return self._numbers[length]

    def refine(self, longest: int) -> None:
        """Add the gaps of 1, 2, 4, ... ticks up to a longest, of which a body that sticks makes its way."""
        self._fine = [self.number(1 << k) for k in range(longest.bit_length())]

    def steps(self) -> dict[int, float]:
        """Return the substep [s] of every gap length [tick]."""
        return {length: step for length, (_, step) in zip(self._numbers, self._steps, strict=True)}

    def copy(self) -> "Gaps":
        """Return the same gaps, to which others can be added."""
        other = Gaps(self._model, self._clock, self.stepping)
        other._numbers, other._packs = self._numbers.copy(), self._packs.copy()
        other._roots, other._steps = self._roots.copy(), self._steps.copy()
        other._fine = self._fine
        return other

    def add_to(self, sections: _Sections) -> None:
        """Append the gaps to the tables."""
        sections.head[at.GAPS] = self.count
        sections.head[at.FINES] = len(self._fine)
        sections.ints(at.FINE, self._fine)
        pairs = zip(self._numbers, self._steps, strict=True)
        sections.ints(at.GAP_INT, [v for length, (substeps, _) in pairs for v in (length, substeps)])
        sections.floats(at.GAP_STEP, np.array([step for _, step in self._steps]))
        sections.floats(at.GAP_NOISE, np.concatenate(self._roots))
        sections.head[at.GAP_NOISE_SIZE] = self._roots[0].size
        sections.head[at.GAP_MATRIX_SIZE] = self._packs[0].size
        rows, place = [], 0
        for shape in pack_shapes(self._model.plant, self.stepping.method == at.ETD4):
            rows += [*shape, place]
            place += shape[0] * shape[1]
        sections.ints(at.PRODUCT_INT, rows)

    def matrices(self) -> Floats:
        """Return the matrices of all gaps, one after the other."""
        table = aligned(self.count * self._packs[0].size)
        return np.concatenate(self._packs, out=table)
