"""Order lines taken out of logged signals by the angle that the speed turns through."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["without_orders"]

Array = NDArray[np.float64]


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
