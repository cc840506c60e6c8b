"""Several loops judged as one: what the bench does to a disturbance of all their commands together.

All loops are opened at once. S(f) maps what is added to the commands to the commands passed on, a matrix;
its largest singular value is by how much the worst combination of disturbances is magnified. Each command
counts in shares of its loop's clamp, so that loops of different size and unit compare. On the diagonal stand
the sensitivities of the single loops, the others closed, so that the joint one is never below any of them.

With Ms the largest singular value, every loop stands any gain from Ms/(Ms + 1) to Ms/(Ms - 1), or any lag up
to 2·asin(1/(2·Ms)), at once and in any combination. The joint gain margin is the factor on all gains together
at which the bench becomes unstable, exact.

References
----------
.. [1] Guarantees from the largest singular value of S, diagonal scaling included: N. A. Lehtomaki, N. R.
   Sandell, M. Athans, Robustness results in linear-quadratic Gaussian based multivariable control designs,
   IEEE Trans. Automatic Control 26 (1981). From memory.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.margins import Margins, stability_boundary
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.sensitivity import Peak, highest
from shaftloop.figures import Figure

__all__ = ["JointMargins", "joint_figures", "joint_margins", "known_figures"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SCAN = np.geomspace(1.0, 1e3, 25)
"""Factors on all gains that are looked at besides those near which a single loop is at its boundary."""


@dataclass(frozen=True)
class JointMargins:
    """What several loops stand together; each figure is found when it is first asked for, and kept."""

    loops: tuple[str, ...]
    clamps: Array
    """Of their commands, shape (loops,). [unit of each command]"""
    ticks: tuple[int, ...]
    """Of each loop per hyperperiod."""
    system: OpenLoop
    """All of them opened, their ticks one loop after the other."""
    frequency: Array
    """Grid, shape (n,), up to half the rate of the slowest of them. [Hz]"""

    @cached_property
    def stable(self) -> bool:
        """Whether the bench is, all loops closed."""
        return self.system.disturbed.radius < 1.0

    @cached_property
    def gain_margin(self) -> float | None:
        """Smallest factor above 1 on all gains at which stability changes; None where none does to 1000."""
        return stability_boundary(self.system, [], _SCAN)

    @cached_property
    def singular_values(self) -> Array:
        """Of S on the grid, the largest first, shape (n, loops)."""
        return np.asarray(np.linalg.svd(self.sensitivity(self.frequency), compute_uv=False))

    @property
    def ms(self) -> float:
        """Largest singular value of S over all frequencies."""
        return self._peak.size

    @property
    def ms_frequency(self) -> float:
        """Where it is [Hz]."""
        return self._peak.frequency

    @cached_property
    def direction(self) -> dict[str, complex]:
        """The combination of disturbances that is magnified most, in shares of the clamps, the largest 1."""
        _, _, right = np.linalg.svd(self.sensitivity(np.array([self.ms_frequency]))[0])
        worst = right[0].conj()
        worst = worst / worst[np.argmax(np.abs(worst) > (1.0 - 1e-6) * np.abs(worst).max())]
        return dict(zip(self.loops, worst.tolist(), strict=True))

    def sensitivity(self, frequency: Array) -> Complex:
        """Return S at the frequencies that go in, shape (n, loops, loops), in shares of the clamps.

        Parameters
        ----------
        frequency : ndarray, shape (n,)
            [Hz]
        """
        closed, omega = self.system.disturbed, 2.0 * np.pi * frequency
        z = np.exp(1j * omega * closed.hyperperiod)
        wave = np.exp(1j * np.outer(omega, closed.instants))
        loop = np.repeat(np.arange(len(self.loops)), self.ticks)
        each = wave[:, :, None] * (loop[:, None] == np.arange(len(self.loops)))
        found = np.swapaxes(each.conj(), 1, 2) @ closed.lifted(z) @ each / np.array(self.ticks)[:, None]
        return np.asarray(found * self.clamps / self.clamps[:, None])

    @cached_property
    def _peak(self) -> Peak:
        def size_at(points: Array) -> Array:
            return np.asarray(np.linalg.norm(self.sensitivity(points), 2, axis=(1, 2)))

        return highest(size_at, self.frequency, self.singular_values[:, 0])


def joint_margins(bench: HyperMap, state: Array, margins: Mapping[str, Margins]) -> JointMargins | None:
    """Return what the loops of a bench stand together, nothing of a single one.

    Parameters
    ----------
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    margins : mapping
        Of every loop by itself, the others closed.
    """
    if len(margins) < 2:
        return None
    handles = [bench.bench.loops[name] for name in margins]
    half = 0.5 * min(float(handle.parameters.rate) for handle in handles)
    grids = np.unique(np.concatenate([entry.frequency for entry in margins.values()]))
    return JointMargins(
        tuple(margins),
        np.array([handle.parameters.clamp for handle in handles]),
        tuple(entry.ticks for entry in margins.values()),
        bench.open(handles, state),
        grids[grids <= half],
    )


def known_figures() -> Iterator[Figure]:
    """Yield the figures of loops together, not looked for yet."""
    yield Figure(
        "ms",
        "1",
        "largest singular value of S: worst magnification of disturbances of all commands together",
        better="lower",
    )
    yield Figure(
        "gain_margin",
        "1",
        "factor on the gains of all loops together at which the bench becomes unstable",
        reason="no factor up to 1000 changes stability",
        better="higher",
    )


def joint_figures(joint: JointMargins) -> Iterator[Figure]:
    """Yield what loops stand together, as figures.

    Parameters
    ----------
    joint : JointMargins
        From `joint_margins`.
    """
    for figure in known_figures():
        yield (
            figure.found(getattr(joint, figure.name))
            if joint.stable
            else figure.absent("the bench is unstable")
        )
