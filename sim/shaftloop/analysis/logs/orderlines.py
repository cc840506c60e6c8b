"""Order lines taken out of logged signals by the angle that the speed turns through."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["OrderLines", "without_orders"]

Array = NDArray[np.float64]

_PERIODS = 8.0
"""Least of a line from knot to knot: what is slower than that is none of it."""


class OrderLines:
    """Sine and cosine of orders, of amplitudes and phases that drift slowly.

    They go along straight lines from knot to knot, each a time or 8 periods of the order from the next. So
    the lines follow a speed that is slightly off, an amplitude that goes slowly with speed or torque, and a
    slow passage of a resonance. They take half of the inverse of that time, or a sixteenth, to either side.

    Parameters
    ----------
    time : ndarray, shape (rows,)
        [s]
    angle : ndarray, shape (rows,)
        Of the shaft that the orders belong to. [rad]
    orders : dict
        Periods per turn, and the time from knot to knot. [s]
    part : ndarray, shape (rows,)
        Rows of either value have lines of their own.
    """

    def __init__(
        self, time: Array, angle: Array, orders: dict[float, float], part: NDArray[np.bool_]
    ) -> None:
        from scipy.sparse import csc_array, eye_array
        from scipy.sparse.linalg import splu

        self._terms, width = [], 0
        rows, columns, values = [], [], []
        for order, slow in orders.items():
            start = width
            for chosen in (np.flatnonzero(part), np.flatnonzero(~part)):
                if not len(chosen):
                    continue
                knots, share, count = _knots(time[chosen], angle[chosen], order, slow)
                for wave in (np.cos(order * angle[chosen]), np.sin(order * angle[chosen])):
                    rows += [chosen, chosen]
                    columns += [width + knots, width + knots + 1]
                    values += [(1.0 - share) * wave, share * wave]
                    width += count + 1
            self._terms.append(slice(start, width))
        where = (np.concatenate(rows), np.concatenate(columns))
        self._waves: Any = csc_array((np.concatenate(values), where), shape=(len(time), width))
        gram = csc_array(self._waves.T @ self._waves)
        # Orders too near to each other, or at rest, share what they take.
        self._solve = splu(gram + (1e-9 * gram.diagonal().max()) * eye_array(width, format="csc")).solve

    def without(self, values: Array) -> Array:
        """Return values without what the orders may be.

        Parameters
        ----------
        values : ndarray, shape (rows,) or (rows, columns)
            Any.
        """
        return np.asarray(values - self._waves @ self._solve(self._waves.T @ values))

    def amplitudes(self, values: Array, chosen: NDArray[np.bool_]) -> list[float]:
        """Return the root mean square amplitude of every order.

        Parameters
        ----------
        values : ndarray, shape (rows,)
            Any.
        chosen : ndarray, shape (rows,)
            Rows that count.
        """
        sizes = self._solve(self._waves.T @ values)
        lines = [(self._waves[:, term] @ sizes[term])[chosen] for term in self._terms]
        return [float(np.sqrt(2.0 * np.mean(line**2))) for line in lines]


def _knots(time: Array, angle: Array, order: float, slow: float) -> tuple[NDArray[np.int64], Array, int]:
    """Return the knot before every row, how far it is to the next, and the number of stretches."""
    periods = order * np.abs(np.diff(angle)) / (2.0 * np.pi)
    passed = np.concatenate(([0.0], np.cumsum(np.minimum(np.diff(time) / slow, periods / _PERIODS))))
    count = max(int(passed[-1]), 1)
    place = passed * (count / max(passed[-1], 1.0))
    knots = np.minimum(place.astype(np.int64), count - 1)
    return knots, place - knots, count


def without_orders(signals: Array, speed: Array, period: float, orders: Sequence[float]) -> Array:
    """Return signals without what repeats with the angle.

    Amplitude and phase of an order change along a straight line over the record.

    Parameters
    ----------
    signals : ndarray, shape (samples, columns)
        Any.
    speed : ndarray, shape (samples,)
        Of the shaft that the orders belong to. [rad/s]
    period : float
        Of the samples. [s]
    orders : sequence of float
        Periods per turn.
    """
    if not orders:
        return signals
    angle = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * period
    ramp = np.linspace(-1.0, 1.0, len(signals))
    waves = [wave(order * angle) for order in orders for wave in (np.cos, np.sin)]
    terms = np.column_stack([np.ones(len(signals)), ramp, *waves, *(ramp * wave for wave in waves)])
    found = np.linalg.lstsq(terms, signals, rcond=1e-10)[0]
    return np.asarray(signals - terms[:, 2:] @ found[2:])
