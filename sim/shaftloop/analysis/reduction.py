"""States of a bench that say nothing of its small motions, and what is left without them.

Some slots are never written, some are never looked at. And where nothing holds the speed of the line, neither
drag nor a loop, all bodies may turn faster together and stay so: the map over a hyperperiod has an eigenvalue
of 1 that rounding puts on either side of the circle. That is no matter of stability, so the states are taken
relative to this free motion, measured by the speed of the first body.
"""

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench

__all__ = [
    "framed",
    "inverse",
    "moving",
    "nearest_rates",
    "needed",
    "released",
    "solved",
    "turning",
    "typical_sizes",
]

Array = NDArray[np.float64]
Numbers = NDArray[np.intp]

_FREE = 1e-9
"""Share of a motion that may seem to fade or to be seen, by rounding, though it is free."""
_KEPT = 1e-11
"""By how much less than 1 may be left of a slot that nothing writes: rounding of a difference."""
_POSITION = 0.1
"""Typical size of an angle that a loop controls. [rad]"""
_REGULAR = 1e-11
"""Reciprocal condition from which on a matrix, in its typical sizes, is far from singular."""


def inverse(matrix: Array) -> Array:
    """Return the inverse of a matrix, the pseudo-inverse of one that is nearly singular.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        In typical sizes of what it maps.
    """
    if _regular(matrix):
        return np.asarray(np.linalg.inv(matrix))
    return np.asarray(np.linalg.pinv(matrix, rcond=1e-13))


def solved(matrix: Array, right: Array) -> Array:
    """Return the solution of a linear system, of a nearly singular one the smallest that comes closest.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Left-hand side.
    right : ndarray, shape (n,)
        Right-hand side.
    """
    if _regular(matrix):
        return np.asarray(np.linalg.solve(matrix, right))
    return np.asarray(np.linalg.lstsq(matrix, right, rcond=None)[0])


def _regular(matrix: Array) -> bool:
    """Return whether a matrix is far from singular, at a tenth of what its singular values take."""
    from scipy.linalg import lapack

    triangles, _, _ = lapack.dgetrf(matrix)
    reciprocal, _ = lapack.dgecon(triangles, np.linalg.norm(matrix, 1)) if matrix.size else (1.0, 0)
    return bool(reciprocal > _REGULAR)


def moving(jacobian: Array) -> tuple[Array, Numbers]:
    """Drop the slots that nothing ever writes: their row is a row of the unit matrix but for rounding.

    What has slipped of a limiter that holds is such a slot: its eigenvalue of 1 would pass for unstable.

    Parameters
    ----------
    jacobian : ndarray, shape (n, n)
        Of the map.
    """
    change = jacobian - np.eye(len(jacobian))
    itself = np.diagonal(change).copy()
    np.fill_diagonal(change, 0.0)
    keep = np.flatnonzero(change.any(axis=1) | (np.abs(itself) > _KEPT))
    return jacobian[np.ix_(keep, keep)], keep


def needed(a: Array, c: Array) -> tuple[Array, Numbers]:
    """Drop, again and again, the slots whose value nothing later depends on.

    Parameters
    ----------
    a : ndarray, shape (n, n)
        Map of the states.
    c : ndarray, shape (m, n)
        What is seen of them.
    """
    keep = np.arange(len(a))
    while True:
        used = np.abs(a[np.ix_(keep, keep)]).sum(axis=0) + np.abs(c[:, keep]).sum(axis=0) > 0.0
        if used.all():
            return a[np.ix_(keep, keep)], keep
        keep = keep[used]


def _free_motion(a: Array, b: Array, c: Array, first: int, sizes: Array) -> Array | None:
    """Return how all changes with the speed of the first body in a motion that stays and is not seen."""
    change, seen = (a - np.eye(len(a))) * sizes / sizes[:, None], c * sizes
    # It would stay whatever comes back of what is seen.
    if _regular(change + b[:, : len(c)] / sizes[:, None] @ seen):
        return None
    others = np.arange(len(a)) != first
    motion = np.ones(len(a))
    motion[others] = np.linalg.lstsq(change[:, others], -change[:, first], rcond=None)[0]
    least = _FREE * np.max(np.abs(motion))
    visible = np.abs(seen @ motion) > least * np.max(np.abs(seen), axis=1, initial=0.0)
    if np.max(np.abs(change @ motion)) > least or np.any(visible):
        return None
    return np.asarray(motion * sizes / sizes[first])


def released(
    a: Array, b: Array, c: Array, first: int | None, sizes: Array
) -> tuple[Array, Array, Array, Numbers]:
    """Return a system without a free motion of the line, and the numbers of its states that are left.

    Parameters
    ----------
    a : ndarray, shape (n, n)
        Map of the states over a hyperperiod.
    b : ndarray, shape (n, p)
        What drives them.
    c : ndarray, shape (m, n)
        What is seen of them.
    first : int or None
        Number of the state that is the speed of the first body, if it is one of them.
    sizes : ndarray, shape (n,)
        Typical sizes of the states, in their units.
    """
    motion = None if first is None else _free_motion(a, b, c, first, sizes)
    if first is None or motion is None:
        return a, b, c, np.arange(len(a))
    keep = np.delete(np.arange(len(a)), first)
    a, b = ((columns - np.outer(motion, columns[first]))[keep] for columns in (a, b))
    return a[:, keep], b, c[:, keep], keep


def typical_sizes(bench: Bench) -> Array:
    """Return the typical size of the quantity of every slot, shape (slots,)."""
    sensor = bench.main_sensor()
    torque = sensor.parameters.rated if sensor else 1.0
    speed = 0.1 * max(machine.parameters.max_speed for machine in bench.machines.values())
    twist = torque / max((edge.stiffness for edge in bench.line.edges), default=1.0)
    voltage = 0.1 * bench.description.supply.nominal()
    typical = {"N m": torque, "rad/s": speed, "rad": twist, "A": torque, "V": voltage, "W": torque * speed}
    known = [part.sizes(torque) for part in bench.parts.values()]
    typical |= {unit: max(sizes.get(unit, 0.0) for sizes in known) for units in known for unit in units}
    sizes = [typical.get(slot.unit, torque) for slot in bench.model.layout.slots]
    counting = tuple(f"{part.name}.position" for part in bench.parts.values() if part.position_task >= 0)
    turned = {angle.index for angle in bench.line.angles.values()}
    for number, entry in enumerate(bench.model.layout.slots):
        if number in turned or entry.name.startswith(counting):
            sizes[number] = _POSITION
    for slot, size in bench.link.sizes().items():
        sizes[slot] = size
    return np.array(sizes)


def nearest_rates(bench: Bench) -> str:
    """Return advice: the rates in use, and the multiples of 100 Hz nearest to them.

    Parameters
    ----------
    bench : Bench
        With a common period that is too long.
    """
    rates = sorted({float(1 / task.period) for task in bench.model.tasks})
    near = ", ".join(f"{rate:g} Hz -> {max(100.0, round(rate / 100.0) * 100.0):g} Hz" for rate in rates)
    return f"rates with a common period of 10 ms: {near}"


def turning(bench: Bench, state: Array, speed: float) -> Array:
    """Return a state with all that can turn at a speed; it is written into.

    Parameters
    ----------
    state : ndarray, shape (slots,)
        Of the bench.
    speed : float
        Of the leftmost body. [rad/s]
    """
    for node in bench.line.nodes:
        state[node.speed.index] = 0.0 if node.fixed else speed * node.pace
    return framed(bench, state, speed)


def framed(bench: Bench, state: Array, speed: float) -> Array:
    """Return a state whose positions count in a frame that turns at a speed; it is written into.

    Extremes that have not been looked for yet are 0.

    Parameters
    ----------
    state : ndarray, shape (slots,)
        Of the bench.
    speed : float
        Of the leftmost body. [rad/s]
    """
    state[np.isinf(state)], frame = 0.0, bench.line.frame
    if frame is not None:
        state[len(bench.model.plant.network.states) + frame.index] = speed
    return state
