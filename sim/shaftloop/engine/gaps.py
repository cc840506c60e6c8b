"""The gap lengths of a run and their matrices."""

import hashlib
from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import Protocol

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


class _Sections(Protocol):
    head: list[int]

    def ints(self, word: int, values: list[int]) -> None: ...

    def floats(self, word: int, values: Floats) -> None: ...


class Matrices:
    """The matrices of every gap, made when they are first asked for.

    Parameters
    ----------
    model : Model
        The bench.
    steps : tuple of float
        Substep of every gap. [s]
    exponential : bool
        Whether they are those of the exponential stepper.
    """

    def __init__(self, model: Model, steps: tuple[float, ...], exponential: bool) -> None:
        self._plant, self.steps, self._exponential = model.plant, steps, exponential
        self.wanted_rows = wanted_rows(model)
        """Which rows of each product something reads."""
        self._table: Floats | None = None

    @cached_property
    def identity(self) -> bytes:
        """Return what is equal where the matrices are."""
        plant, digest = self._plant, hashlib.sha256(repr((self.steps, self._exponential)).encode())
        for part in (plant.a, plant.b, plant.g, plant.c):
            digest.update(repr(part.shape).encode() + part.tobytes())
        return digest.digest()

    @property
    def table(self) -> Floats:
        """Return the matrices of every gap, shape (gaps, entries)."""
        if self._table is None:
            make_together([self])
        assert self._table is not None
        return self._table

    @cached_property
    def shapes(self) -> list[Shape]:
        """Return the shapes of the matrices of a gap."""
        found, place = list[Shape](), 0
        for rows, columns in pack_shapes(self._plant, self._exponential):
            found.append((rows, columns, place))
            place += rows * columns
        return found

    @cached_property
    def blocks(self) -> tuple[Ints, Floats]:
        """Return what the products of a bench that runs alone take."""
        return as_blocks(self.table[np.newaxis], self.shapes, self.wanted_rows, 1)

    @property
    def wanted(self) -> list[tuple[Plant, float]]:
        """Return plant and substep [s] of what must be made of matrix exponentials."""
        made = self._table is not None or not self._exponential
        return [] if made else [(self._plant, step) for step in self.steps]

    def take(self, packs: Iterator[Floats]) -> None:
        """Take what was `wanted`."""
        if self._table is None:
            of_all = [next(packs) if self._exponential else plain_pack(self._plant) for _ in self.steps]
            self._table = np.stack(of_all)


def make_together(several: Sequence[Matrices]) -> None:
    """Make the matrices of several benches at once, in less time than one after the other."""
    several = list({id(each): each for each in several}.values())
    packs = iter(exponential_packs([pair for each in several for pair in each.wanted]))
    for each in several:
        each.take(packs)


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
        self._roots: list[Floats] = []
        self._steps: list[tuple[int, float]] = []
        self._fine: list[int] = []

    @property
    def count(self) -> int:
        """Number of gap lengths."""
        return len(self._numbers)

    def number(self, length: int) -> int:
        """Return the number of a gap length in ticks, which is taken in where it is new."""
        if length not in self._numbers:
            seconds = length / self._clock.ticks_per_second
            substeps = self.stepping.substeps(seconds)
            step = seconds / substeps
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
        other._numbers, other._steps = self._numbers.copy(), self._steps.copy()
        other._roots, other._fine = self._roots.copy(), self._fine
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

    def matrices(self) -> Matrices:
        """Return the matrices of all gaps, which are not made yet."""
        steps = tuple(step for _, step in self._steps)
        return Matrices(self._model, steps, self.stepping.method == at.ETD4)


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
    return [np.concatenate([every, middle]), middle, last, every, every, signals]


def _states(plant: Plant, read: Sequence[Ref]) -> NDArray[np.bool_]:
    """Return which states some quantities depend on."""
    states = np.zeros(len(plant.a), dtype=np.bool_)
    for ref in read:
        if ref.kind == "state":
            states[ref.index] = True
        elif ref.kind == "signal":
            states |= plant.c[plant.rows[ref]] != 0.0
    return states
