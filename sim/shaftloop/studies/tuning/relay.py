"""The relay experiment: a controller that only knows plus and minus finds the ultimate gain and period.

References
----------
.. [1] K. J. Åström, T. Hägglund, Automatic tuning of simple regulators with specifications on phase and
   amplitude margins, Automatica 20 (1984) 645-651. From memory.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.plant import loop_named, plain_loop, with_loop
from shaftloop_models.parameters import Gain

__all__ = ["LimitCycle", "limit_cycle", "relay_on_bench"]

Array = NDArray[np.float64]

_HARD = 1e9
"""Proportional gain that makes a relay of a clamp."""
_CYCLES = 6
"""Cycles that are averaged, the last ones."""
_REGULAR = 0.1
"""Spread of the periods, relative, up to which they are those of a limit cycle."""


@dataclass(frozen=True)
class LimitCycle:
    """What the relay found."""

    period: float
    """[s]"""
    amplitude: float
    """Half the swing of the reading. [unit of the reading]"""
    relay: float
    """Half the swing of the command. [N m]"""

    @property
    def gain(self) -> float:
        """Estimate of the ultimate gain by the describing function, 4d/(πa)."""
        return 4.0 * self.relay / (np.pi * self.amplitude)


def relay_on_bench(
    description: Description,
    name: str,
    relay: float,
    duration: float,
    speed: float | None = None,
    torque: float | None = None,
) -> LimitCycle | None:
    """Return the limit cycle of a relay in the simulation of the full bench, noise and quantiser included.

    The loop's controller becomes a relay: so large a gain that its clamp alone decides, around the command
    that holds the operating point.

    Parameters
    ----------
    description : Description
        The bench.
    name : str
        The loop.
    relay : float
        Half the swing of the command. [N m]
    duration : float
        [s]
    speed, torque : float, optional
        Operating point in place of the sequence's. [rad/s], [N m]
    """
    stated = loop_named(description, name)
    loop = replace(plain_loop(stated), filters=stated.filters)
    smooth = HyperMap(with_loop(description, loop))
    point = operating_point(smooth.bench, speed, torque)
    state = held_state(smooth, point)
    base = smooth.walk(state, np.array([smooth.ticks]))[0][smooth.bench.loops[name].break_slot]
    hard = replace(
        loop,
        kp=Gain(_HARD, loop.kp.unit),
        ki=Gain(0.0, loop.ki.unit),
        clamp=relay,
        anti_windup="conditional",
        setpoint_rate=None,
    )
    bench = build_bench(with_loop(description, hard))
    run = standing_run(bench, smooth, state, point.setpoints, 1 << 16)
    handle = bench.loops[name]
    clock_rate = float(loop.rate)
    run.state[handle.integral_slot] = 0.0
    period = run.clock.ticks(1 / loop.rate)
    errors = np.empty(int(duration * clock_rate))
    resting = True
    try:
        for k in range(len(errors)):
            # Where the error is exactly 0 the clamp decides nothing: the relay starts on its positive side.
            resting = resting and run.state[handle.error_slot] == 0.0
            run.state[handle.break_slot + 1] = base + relay if resting else base
            run.advance(period * (k + 1))
            errors[k] = run.state[handle.error_slot]
            run.records = 0
    except SimulationError:
        return None
    return limit_cycle(np.arange(len(errors)) / clock_rate, errors, relay)


def limit_cycle(time: Array, error: Array, relay: float) -> LimitCycle | None:
    """Return the limit cycle at the end of a record.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s]
    error : ndarray, shape (n,)
        What the relay switches on. [unit of the reading]
    relay : float
        Half the swing of the command. [N m]
    """
    rising = np.flatnonzero((error[:-1] < 0.0) & (error[1:] >= 0.0))
    if len(rising) < _CYCLES + 2:
        return None
    share = error[rising] / (error[rising] - error[rising + 1])
    instants = (time[rising] + share * (time[rising + 1] - time[rising]))[-_CYCLES - 1 :]
    periods = np.diff(instants)
    if np.ptp(periods) > 2.0 * _REGULAR * periods.mean():
        return None
    rows = rising[-_CYCLES - 1 :]
    swings = [np.ptp(error[a:b]) for a, b in pairwise(rows)]
    return LimitCycle(float(periods.mean()), 0.5 * float(np.mean(swings)), relay)
