"""Responses of a log and of its runs, taken alike, and the start that they give a fit.

In the logarithm of a response a resonance that lies elsewhere pulls from afar, where the traces in time have
long lost each other. Natural frequency and damping tell stiffness, inertia, damping; phase tells latencies.
The clock of a log and all that is slow do not show. What else was excited is in the responses of both alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.evenly import Bridge, pieces
from shaftloop.analysis.logs.spectra import Averager, Response
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.studies.identification.problem import Problem
from shaftloop.studies.identification.replay import Replay

__all__ = ["COHERENT", "Pair", "driven", "pairs", "response_of", "started"]

Array = NDArray[np.float64]

COHERENT = 0.8
"""Coherence from which a line of a log counts."""
_BLOCKS = 6
"""Lengths of a block that fit into the log."""
_LEAST = 128
"""Samples of a block that are worth a response."""
_LINES = 150
"""Most lines of a pair of columns that are matched."""
_SURE = 0.05
"""Relative deviation below which no line counts for more."""
_ALIKE = 0.15
"""Distance of two responses, root mean square of the logarithm, that is near enough for a start."""
_FAR = 0.5
"""Distance from which a line counts less."""
_STEPS = {"scaled": 0.02, "shifted": 0.02, "stepped": 0.05}
"""Of θ in a difference."""
_HELD = 0.05
"""Distance of responses per θ below which a parameter stays where it is."""


@dataclass(frozen=True)
class Pair:
    """What drove a log, and a column that follows it."""

    name: str
    """Channel of the drive."""
    played: int | None
    """Its number among what plays; nothing where it is a compared column."""
    drive: int
    """Its number among the compared columns, where it does not play."""
    output: int
    """Number of the column that follows."""


def pairs(replay: Replay, moving: Sequence[int]) -> list[Pair]:
    """Return what drove a log with every column that follows.

    Parameters
    ----------
    replay : Replay
        The log.
    moving : sequence of int
        Numbers of the compared columns that do not rest.
    """
    names = [entry.column.channel for entry in replay.compared]
    drives = [i for i in moving if names[i].endswith(("_setpoint", "_command"))]
    found = []
    for out in (i for i in moving if i not in drives):
        if replay.compared[out].column.stated.size_only:
            continue
        found += [Pair(played.column.channel, number, -1, out) for number, played in enumerate(replay.played)]
        if not replay.played:
            beside = (i for i in drives if replay.compared[i].label == replay.compared[out].label)
            found += [Pair(names[i], None, i, out) for i in beside]
    return found


def driven(replay: Replay, pair: Pair, shown: Sequence[Array]) -> Array:
    """Return the drive of a pair at the instants of its output.

    Parameters
    ----------
    shown : sequence of ndarray
        The compared columns, of the log or of a run. [unit]
    """
    time = replay.compared[pair.output].time
    if pair.played is not None:
        return replay.played_at(time)[pair.played]
    return np.interp(time, replay.compared[pair.drive].time, shown[pair.drive])


def response_of(time: Array, source: Array, output: Array) -> Response | None:
    """Return the response between two columns of a log, nothing where it is too short.

    Parameters
    ----------
    time, source, output : ndarray, shape (rows,)
        [s], any unit.
    """
    samples = len(time) // _BLOCKS
    if samples < _LEAST:
        return None
    bridge, averager = Bridge(), Averager(samples, False)
    for piece, fresh in pieces([(time, np.column_stack((source, source, output)))], bridge):
        averager.feed(piece, fresh)
    return averager.response(bridge.period) if averager.blocks else None


def started(problem: Problem, theta: Array, shown: Sequence[Array]) -> Array:
    """Return θ at which the bench answers as the log does; `theta` itself where no response tells better.

    Parameters
    ----------
    problem : Problem
        The fit.
    theta : ndarray, shape (parameters,)
        Where it would start.
    shown : sequence of ndarray
        What the bench shows there. [unit]
    """
    from scipy.optimize import least_squares

    answers = _Answers(problem)
    moving = [i for i, free in enumerate(problem.frees) if free.of_bench and free.simulated]
    if not answers.count or not moving or _size(answers.distance(shown)) < _ALIKE:
        return theta

    def whole(x: Array) -> Array:
        full = theta.copy()
        full[moving] += x
        return full

    def at(thetas: Sequence[Array]) -> list[Array]:
        return [answers.distance(each) for each in problem.shown(thetas)]

    held = _HELD * np.sqrt(answers.count)

    def residual(x: Array) -> Array:
        try:
            return np.concatenate((at([whole(x)])[0], held * x))
        except (SimulationError, ScenarioError):
            return np.full(2 * answers.count + len(x), 1e3)

    def slope(x: Array) -> Array:
        moved, widths = [], []
        for k, i in enumerate(moving):
            step = _STEPS[problem.frees[i].kind]
            for side in (-step, step):
                moved.append(x.copy())
                moved[-1][k] = np.clip(x[k] + side, low[k], high[k])
            widths.append(moved[-1][k] - moved[-2][k])
        seen = at([whole(each) for each in moved])
        rows = [
            (after - before) / width
            for before, after, width in zip(seen[::2], seen[1::2], widths, strict=True)
        ]
        return np.vstack((np.column_stack(rows), held * np.eye(len(x))))

    frees = [problem.frees[i] for i in moving]
    low = np.array([max(-3.0, free.low - theta[i]) for i, free in zip(moving, frees, strict=True)])
    high = np.array([min(3.0, free.high - theta[i]) for i, free in zip(moving, frees, strict=True)])
    try:
        found = least_squares(
            residual,
            np.zeros(len(moving)),
            jac=slope,
            bounds=(low, high),
            loss="soft_l1",
            f_scale=_FAR,
            ftol=0.05,
            max_nfev=6,
        )
    except (SimulationError, ScenarioError):  # A bench beside one that can be run cannot.
        return theta
    better = whole(found.x)
    near = _size(answers.distance(problem.shown([better])[0]))
    return better if near < 0.7 * _size(answers.distance(shown)) else theta


class _Answers:
    """Measured responses, and how far those of runs are from them."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        moving = [i for i, values in enumerate(problem.measured) if np.ptp(values[problem.fitted[i]]) > 0.0]
        self._taken: list[tuple[Pair, NDArray[np.int64], NDArray[np.complex128], Array]] = []
        for pair in pairs(problem.replay, moving):
            measured = self._response(pair, problem.measured)
            if measured is None:
                continue
            known = np.flatnonzero((measured.coherence > COHERENT) & (np.abs(measured.value) > 0.0))
            known = known[:: -(-len(known) // _LINES) or 1]
            if len(known) < 3:
                continue
            value = measured.value[known]
            unsure = measured.variance[known] / np.abs(value) ** 2
            self._taken.append((pair, known, value, _SURE / np.sqrt(unsure + _SURE**2)))
        self.count = sum(len(known) for _, known, _, _ in self._taken)

    def _response(self, pair: Pair, shown: Sequence[Array]) -> Response | None:
        chosen = self._problem.fitted[pair.output]
        source = driven(self._problem.replay, pair, shown)[chosen]
        time = self._problem.replay.compared[pair.output].time[chosen]
        return response_of(time, source, shown[pair.output][chosen])

    def distance(self, shown: Sequence[Array]) -> Array:
        """Return the logarithms of responses over those measured, size and phase, shape (2·lines,)."""
        parts = []
        for pair, known, value, weight in self._taken:
            found = self._response(pair, shown)
            assert found is not None, "it has the instants of the log"
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.log(found.value[known] / value)
            parts.append(weight * np.nan_to_num(ratio, nan=10.0, posinf=10.0, neginf=-10.0))
        ratios = np.concatenate(parts)
        return np.concatenate((ratios.real, ratios.imag))


def _size(distance: Array) -> float:
    return float(np.sqrt(np.mean(np.minimum(distance**2, 4.0)) * 2.0))
