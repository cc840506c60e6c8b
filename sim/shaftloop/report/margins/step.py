"""The response of the loops to a small step of their set-point."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.analysis.stepresponse import StepResponse
from shaftloop.report.canvas import COLOURS, draw
from shaftloop.report.quantities import show

__all__ = ["draw_steps"]

_FURTHEST = 4.0
"""Where the picture of a growing response is cut."""


def draw_steps(steps: Sequence[StepResponse], title: str, paths: list[Path]) -> None:
    """Draw reading and true quantity after a small step, one panel per loop.

    Parameters
    ----------
    steps : sequence of StepResponse
        One per loop.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """

    def paint(figure: Any) -> None:
        for axes, step in zip(figure.subplots(1, len(steps), squeeze=False)[0], steps, strict=True):
            _draw(axes, step)

    draw(paint, (max(7.5, 6.2 * len(steps)), 4.8), title, paths)


def _draw(axes: Any, step: StepResponse) -> None:
    time = 1e3 * step.time
    axes.axhspan(0.98, 1.02, color="#EFEFEF")
    axes.plot([-0.04 * time[-1], 0.0, 0.0, time[-1]], [0.0, 0.0, 1.0, 1.0], color="black", linewidth=1.0)
    true, reading = f"true {step.quantity}", "reading"
    axes.plot(time, step.true, color=COLOURS["true"], linewidth=1.8, label=true)
    # What the controller has received changes at its own instants only.
    axes.step(time, step.reading, where="post", color=COLOURS["reading"], linewidth=1.2, label=reading)
    low, high = (float(f([f(step.true), f(step.reading)])) for f in (np.min, np.max))
    axes.set_ylim(max(min(low, 0.0) - 0.08, -_FURTHEST), min(max(high, 1.0) + 0.12, _FURTHEST))
    axes.set(
        xlabel="time since the step [ms]",
        ylabel="change / size of the step",
        xlim=(-0.04 * time[-1], time[-1]),
    )
    if step.settling_time is None or step.overshoot is None:
        what = "does not settle"
    else:
        what = f"settles in {show(step.settling_time, 's', 3)}, overshoot {step.overshoot:.1f} %"
        axes.axvline(1e3 * step.settling_time, color=COLOURS["quiet"], linewidth=0.9, linestyle=":")
    unit = "N m" if step.quantity == "torque" else "rad/s"
    text = f"loop {step.loop}, step of {show(step.size, unit, 3)}: {what}"
    axes.set_title(text, loc="left", fontweight="normal", fontsize=10.0, parse_math=False)
    axes.legend(loc="lower right")
