"""What loops on positions did in a run, as a picture: angles with set-points, and torques."""

from typing import Any

import numpy as np

from shaftloop.answers.run import RunAnswer
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, over, thinned
from shaftloop.report.quantities import show

__all__ = ["position_picture"]


def position_picture(answer: RunAnswer) -> Picture | None:
    """Return angles and torques over time; nothing where no loop controls a position."""
    simulation = answer.simulation
    loops = {n: loop for n, loop in simulation.bench.loops.items() if loop.quantity == "position"}
    if not loops:
        return None
    time, traces, machines = simulation.time, simulation.traces, list(simulation.bench.machines)
    colours = {name: MACHINE_COLOURS[machines.index(loop.parameters.acts_on) % len(MACHINE_COLOURS)]
               for name, loop in loops.items()}  # fmt: skip
    said = []
    for name, loop in loops.items():
        setpoint, angle = traces[f"{name}_setpoint"], traces[f"{loop.source}_position"]
        far = float(np.max(np.abs(setpoint - angle), initial=0.0))
        if setpoint.any():
            # A step of the set-point is far at once, whatever the loop does.
            end = show(abs(float(setpoint[-1] - angle[-1])), "rad", 3)
            said.append(
                f"{loop.source} ends {end} from its set-point, {show(far, 'rad', 3)} at most on the way"
            )
        else:
            torque = float(np.max(np.abs(traces[f"{loop.parameters.acts_on}_torque"]), initial=0.0))
            said.append(
                f"{name} is turned by up to {show(far, 'rad', 3)} and takes up to {show(torque, 'N m', 3)}"
            )

    def paint(figure: Any) -> None:
        angles, torques = figure.subplots(2, 1, sharex=True, height_ratios=[1.4, 1.0])
        for name, loop in loops.items():
            dashed = {"linestyle": "--", "linewidth": 1.0, "color": COLOURS["setpoint"], "zorder": 3.0}
            if traces[f"{name}_setpoint"].any():
                degrees = np.degrees(traces[f"{name}_setpoint"])
                angles.plot(*thinned(time, degrees), label=f"set-point of {name}", **dashed)
            degrees = np.degrees(traces[f"{loop.source}_position"])
            width = 2.8 if loop is next(iter(loops.values())) else 1.4
            angles.plot(*thinned(time, degrees), color=colours[name], linewidth=width, label=loop.source)
            torque = traces[f"{loop.parameters.acts_on}_torque"]
            label = f"air gap of {loop.parameters.acts_on}"
            torques.plot(*thinned(time, torque), color=colours[name], label=label)
        if "true_torque" in traces:
            torques.plot(*thinned(time, traces["true_torque"]), color=COLOURS["true"], label="true torque")
        angles.set_ylabel("angle [deg]")
        torques.set(xlabel="time [s]", ylabel="torque [N m]")
        torques.set_xlim(0.0, simulation.duration or 1.0)
        over(angles, 4)
        over(torques, 4)

    shows = "Counted angles with their set-points, and torques, over time"
    return Picture("position", "; ".join(said), shows, answer.title, (10.5, 6.5), paint)
