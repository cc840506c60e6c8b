"""Reading, true torque and air-gap torque of the unit beside each other, around a step of the sequence."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.analysis.simulation import Simulation
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over, thinned
from shaftloop.report.quantities import show
from shaftloop.report.run.overview import machine_colours, zoom_window

__all__ = ["time_picture"]

Array = NDArray[np.float64]


def time_picture(found: Fidelity, simulation: Simulation, subject: str) -> Picture:
    """Return what the run made of the torque: at the air gap, at the sensor, in the reading.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    simulation : Simulation
        Finished run of the same bench, noise and quantiser included.
    """
    window = zoom_window(simulation)
    start, end, zero = window if window is not None else (0.0, simulation.duration, 0.0)
    inside = (simulation.time >= start) & (simulation.time <= end)
    time = 1e3 * (simulation.time[inside] - zero)
    true, reading = (simulation.traces[name][inside] for name in ("true_torque", "reading"))
    made = found.sign * simulation.traces[f"{found.unit}_torque"][inside]

    def paint(figure: Any) -> None:
        top, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.6, 1.0))
        label = f"air gap of {found.unit}" + ("" if found.sign > 0.0 else ", sign of the sensor")
        top.plot(
            *thinned(time, made), color=machine_colours(simulation)[found.unit], linewidth=1.0, label=label
        )
        top.plot(*thinned(time, true), color=COLOURS["true"], linewidth=2.0, label="true torque")
        _steps(top, time, reading, linewidth=1.1, label="reading")
        top.set(ylabel="torque [N m]")
        over(top, 3)
        _steps(below, time, reading - true, linewidth=1.1, label="reading minus true torque")
        below.axhline(0.0, color="black", linewidth=0.7)
        below.set(ylabel="error of the reading [N m]", xlim=(time[0], time[-1]))
        since = "time after the torque step" if window is not None else "time"
        below.set_xlabel(f"{since} [ms]" + (f"   (step at {zero:.6g} s)" if window is not None else ""))
        what = "the first torque step" if window is not None else "the whole run"
        top.set_title(f"{what}; below, reading minus true torque", pad=22.0, **SIDE)

    worst, late = show(float(np.max(np.abs(reading - true))), "N m", 3), show(found.delay, "s", 3)
    title = f"The reading is up to {worst} off while the torque moves; it is {late} late for slow torques"
    shows = "Torque at the air gap, true torque and reading over time"
    return Picture("time", title, shows, subject, (10.5, 6.6), paint)


def _steps(axes: Any, time: Array, values: Array, **style: Any) -> None:
    axes.plot(*thinned(time, values), color=COLOURS["reading"], drawstyle="steps-post", **style)
