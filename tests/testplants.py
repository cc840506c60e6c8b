"""Test plants of the literature: transfer functions with dead time, behind a zero-order hold."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.studies.tuning.plant import LoopPlant
from shaftloop.studies.tuning.relay import LimitCycle, limit_cycle

Array = NDArray[np.float64]


def transfer_plant(
    numerator: Sequence[float],
    denominator: Sequence[float],
    period: float,
    delay: float = 0.0,
    label: str = "transfer function",
) -> LoopPlant:
    """Return a transfer function with dead time, sampled behind a zero-order hold.

    Parameters
    ----------
    numerator, denominator : sequence of float
        Coefficients, highest power of s first.
    period : float
        Of the loop. [s]
    delay : float
        Dead time, exact whatever its share of the period. [s]
    label : str
        What it is called.
    """
    from scipy.linalg import expm
    from scipy.signal import tf2ss

    a, b, c, d = (np.atleast_2d(m) for m in tf2ss(list(numerator), list(denominator)))
    order = len(a)
    whole, rest = divmod(delay / period + 1e-12, 1.0)
    late, taps = float(rest) * period, int(whole)

    def held(time: float) -> tuple[Array, Array]:
        block = np.zeros((order + 1, order + 1))
        block[:order, :order], block[:order, order:] = a, b
        moved = expm(block * time)
        return moved[:order, :order], moved[:order, order:]

    # Within a period the command before last acts until the dead time is over, then the last one.
    whole_step, _ = held(period)
    after, new = held(period - late)
    _, old = held(late)
    count = order + taps + 1
    phi, gamma = np.zeros((count, count)), np.zeros((count, 1))
    phi[:order, :order] = whole_step
    line = np.arange(order, count)  # commands of the past, the oldest first
    phi[:order, order] = (after @ old)[:, 0]
    if taps:
        phi[:order, order + 1] = new[:, 0]
        gamma[-1] = 1.0
    else:
        gamma[:order], gamma[-1] = new, 1.0
    phi[line[:-1], line[1:]] = 1.0
    out = np.zeros((1, count))
    out[0, :order] = -c[0]
    direct = np.zeros((1, 1)) if taps or late > 0.0 else -d
    system = OpenLoop(phi, gamma, out, direct, period, np.zeros(1))
    return LoopPlant(system, label, 0.0, 0.0, None)


def relay_on_plant(plant: LoopPlant, relay: float, duration: float) -> LimitCycle | None:
    """Return the limit cycle of a relay on a plant, stepped from tick to tick; nothing where there is none.

    Parameters
    ----------
    plant : LoopPlant
        Of one tick per hyperperiod.
    relay : float
        Half the swing of the command. [N m]
    duration : float
        [s]
    """
    system = plant.system
    state, readings = np.zeros(len(system.a)), np.empty(int(duration / plant.period))
    b, c = system.b[:, 0], -system.c[0]
    for k in range(len(readings)):
        readings[k] = c @ state
        # At rest the reading is 0: the relay starts on its positive side.
        state = system.a @ state + b * (relay if readings[k] <= 0.0 else -relay)
    return limit_cycle(np.asarray(np.arange(len(readings)) * plant.period), -readings, relay)
