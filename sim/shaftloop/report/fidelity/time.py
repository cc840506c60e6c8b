"""Reading, true torque and air-gap torque of the unit beside each other, around a step of the sequence."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.analysis.simulation import Simulation
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw, thinned
from shaftloop.report.run.overview import zoom_window

__all__ = ["draw_time"]

Array = NDArray[np.float64]


def draw_time(found: Fidelity, simulation: Simulation, title: str, paths: list[Path]) -> None:
    """Draw what the run made of the torque: at the air gap, at the sensor, in the reading.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    simulation : Simulation
        Finished run of the same bench, noise and quantiser included.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
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
        top.plot(*thinned(time, made), color=MACHINE_COLOURS[0], linewidth=1.0, label=label)
        top.plot(*thinned(time, true), color=COLOURS["true"], linewidth=2.0, label="true torque")
        _steps(top, time, reading, linewidth=1.1, label="reading")
        top.set(ylabel="torque [N m]")
        top.legend(loc="best")
        _steps(below, time, reading - true, linewidth=1.1, label="reading - true torque")
        below.axhline(0.0, color="black", linewidth=0.7)
        below.set(ylabel="error of the reading [N m]", xlim=(time[0], time[-1]))
        since = "time after the torque step" if window is not None else "time"
        below.set_xlabel(f"{since} [ms]" + (f"   (step at {zero:.6g} s)" if window is not None else ""))
        worst = float(np.max(np.abs(reading - true)))
        text = (
            f"largest error {worst:.3g} N m; the reading is {1e3 * found.delay:.3g} ms late for slow torques"
        )
        top.set_title(text, loc="left", fontweight="normal", fontsize=10.0, parse_math=False)

    draw(paint, (10.5, 6.6), title, paths)


def _steps(axes: Any, time: Array, values: Array, **style: Any) -> None:
    axes.plot(*thinned(time, values), color=COLOURS["reading"], drawstyle="steps-post", **style)
