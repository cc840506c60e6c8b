"""How hard alternating torque works a coupling for good: its amplitude, and the heat of its damping.

Both are the largest of windows of the records, a second long and half of one apart: the amplitude as √2 times
the standard deviation of the torque about its trend, the power as energy per time. What lasts shorter is a
peak, which is held against the limit torque.
"""

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.ratings import Rating

__all__ = ["lasting_torque", "pulsation_ratings", "pulsations"]

Array = NDArray[np.float64]

_WINDOW = 1.0
"""[s]"""


def pulsation_ratings(bench: Bench) -> list[Rating]:
    """Return what parts state of alternating torque and of the heat of their damping."""
    found = []
    for part in bench.description.line:
        stands = part.stands()
        if stands.alternating is not None:
            torque = "alternating_torque", "N m", stands.alternating, None, f"{part.name}_torque"
            found.append(Rating(part.name, *torque))
        if stands.heat is not None:
            found.append(Rating(part.name, "damping_power", "W", stands.heat, None, f"{part.name}_heat"))
    return found


def pulsations(simulation: Simulation) -> dict[str, float]:
    """Return the largest value of what `pulsation_ratings` names and a run records, by channel [N m, W]."""
    period, found = float(simulation.bench.record_period), {}
    count = _count(simulation)
    for entry in pulsation_ratings(simulation.bench):
        trace = simulation.traces.get(entry.peak, np.zeros(0))
        starts = range(0, max(len(trace) - count, 0) + 1, count // 2)
        windows = [trace[start : start + count] for start in starts if len(trace) > 1]
        measure = _power if entry.unit == "W" else _amplitude
        if windows:
            found[entry.peak] = max(measure(window, period) for window in windows)
    return found


def lasting_torque(simulation: Simulation, part: str) -> Array:
    """Return the recorded torque of a part [N m], of an engine without pulsation, which heats no winding.

    Parameters
    ----------
    part : str
        Its name.
    """
    torque = simulation.traces.get(f"{part}_torque", np.zeros(0))
    machine = simulation.bench.machines.get(part)
    if machine is None or machine.fed or not torque.size:
        return torque
    count = min(_count(simulation), len(torque))
    return np.asarray(np.convolve(torque, np.full(count, 1.0 / count), "valid"))


def _count(simulation: Simulation) -> int:
    """Return how many records a window has."""
    return max(int(_WINDOW / float(simulation.bench.record_period)), 2)


def _amplitude(torque: Array, _: float) -> float:
    time = np.linspace(-1.0, 1.0, len(torque))
    trend = np.polyval(np.polyfit(time, torque, 1), time)
    return float(np.sqrt(2.0) * np.std(torque - trend))


def _power(energy: Array, period: float) -> float:
    return float(energy[-1] - energy[0]) / ((len(energy) - 1) * period)
