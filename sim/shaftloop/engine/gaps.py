"""The gap lengths of a run and their matrices."""

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine import at
from shaftloop.engine.calendar import Clock
from shaftloop.engine.matrices import exponential_packs, noise_root, pack_shapes, plain_pack
from shaftloop.engine.model import Model
from shaftloop.engine.plant import Plant
from shaftloop.engine.steprule import Stepping
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.blocks import Shape, as_blocks
from shaftloop_models.network import Ref

__all__ = ["Gaps", "Matrices", "make_together"]


class Matrices:
    """The matrices of every gap, made when they are first asked for.

    Parameters
    ----------
    steps : tuple of float
        Substep of every gap. [s]
    exponential : bool
        Whether they are those of the exponential stepper.
    """

    def __init__(self, model: Model, steps: tuple[float, ...], exponential: bool) -> None:
        self.plant, self.steps, self.exponential = model.plant, steps, exponential
        self.wanted_rows = wanted_rows(model)
        """Which rows of each product something reads."""
        self.made: Floats | None = None

    @property
    def identity(self) -> bytes:
        """Return what is equal where the matrices are."""
        return repr((self.steps, self.exponential)).encode() + self.plant.identity

    @property
    def table(self) -> Floats:
        """Return the matrices of every gap, shape (gaps, entries)."""
        if self.made is None:
            make_together([self])
        assert self.made is not None
        return self.made

    @cached_property
    def shapes(self) -> list[Shape]:
        """Return the shapes of the matrices of a gap."""
        found, place = list[Shape](), 0
        for rows, columns in pack_shapes(self.plant, self.exponential):
            found.append((rows, columns, place))
            place += rows * columns
        return found

    @cached_property
    def blocks(self) -> tuple[Ints, Floats]:
        """Return what the products of a bench that runs alone take."""
        return as_blocks(self.table[np.newaxis], self.shapes, self.wanted_rows, 1)


def make_together(several: Sequence[Matrices]) -> None:
    """Make the matrices of several benches at once, in less time than one after the other."""
    new = [each for each in {id(each): each for each in several}.values() if each.made is None]
    packs = iter(exponential_packs([(m.plant, step) for m in new if m.exponential for step in m.steps]))
    for each in new:
        of_all = [next(packs) if each.exponential else plain_pack(each.plant) for _ in each.steps]
        each.made = np.stack(of_all)


class Gap(NamedTuple):
    """What follows from the length of a gap."""

    number: int
    substeps: int
    step: float
    """Length of a substep. [s]"""
    root: Floats
    """Square roots of the covariances of the noise, one after the other."""


class Gaps:
    """The gap lengths in use; grows when an event asks for a new one."""

    def __init__(self, model: Model, clock: Clock, stepping: Stepping) -> None:
        self.stepping = stepping
        self._model, self._clock = model, clock
        self.all: dict[int, Gap] = {}
        """By length. [tick]"""
        self.fine: list[int] = []
        """Numbers of the gaps of 1, 2, 4, ... ticks, where a body makes its way in them."""

    @property
    def count(self) -> int:
        """Number of gap lengths."""
        return len(self.all)

    def number(self, length: int) -> int:
        """Return the number of a gap length in ticks, which is taken in where it is new."""
        if length not in self.all:
            seconds = length / self._clock.ticks_per_second
            substeps = self.stepping.substeps(seconds)
            roots = [noise_root(c.f, c.g, c.density, seconds).ravel() for c in self._model.noises]
            root = np.concatenate([np.zeros(0), *roots])
            self.all[length] = Gap(self.count, substeps, seconds / substeps, root)
        return self.all[length].number

    def refine(self, longest: int) -> None:
        """Add the gaps of 1, 2, 4, ... ticks up to a longest, of which a body that sticks makes its way."""
        self.fine = [self.number(1 << k) for k in range(longest.bit_length())]

    def steps(self) -> dict[int, float]:
        """Return the substep [s] of every gap length [tick]."""
        return {length: gap.step for length, gap in self.all.items()}

    def copy(self) -> "Gaps":
        """Return the same gaps, to which others can be added."""
        other = Gaps(self._model, self._clock, self.stepping)
        other.all, other.fine = self.all.copy(), self.fine
        return other

    def matrices(self) -> Matrices:
        """Return the matrices of all gaps, which are not made yet."""
        return Matrices(self._model, tuple(self.steps().values()), self.stepping.method == at.ETD4)


def wanted_rows(model: Model) -> list[NDArray[np.bool_]]:
    """Return which rows of each product something reads.

    In the middle of a step nothing sees the states that no term, meter, peak or guard reads; at the last
    stage nothing sees those that no term reads.
    """
    plant, padding = model.plant, np.zeros(-len(model.plant.a) % 4, dtype=np.bool_)
    network = plant.network
    last = _states(plant, [ref for term in network.terms for ref in term.reads])
    powers = [ref for power in network.powers for ref in (power.a, power.b)]
    seen = [ref for _, ref in model.peaks] + [g.read for g in model.guards if isinstance(g.read, Ref)]
    middle = last | _states(plant, [*powers, *seen])
    every = np.ones_like(last)
    if network.rubs:
        middle = every  # torques on bodies that may stick read many of them
    last, middle, every = (np.concatenate([rows, padding]) for rows in (last, middle, every))
    signals = np.arange(plant.padded_signals) < len(plant.c)
    return [np.concatenate([every, middle]), middle, last, every, every, every, signals]


def _states(plant: Plant, read: Sequence[Ref]) -> NDArray[np.bool_]:
    """Return which states some quantities depend on."""
    states = np.zeros(len(plant.a), dtype=np.bool_)
    for ref in read:
        if ref.kind == "state":
            states[ref.index] = True
        elif ref.kind == "signal":
            states |= plant.c[plant.rows[ref]] != 0.0
    return states
