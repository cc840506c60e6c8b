"""The response of the loops to a small step of their set-point."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from shaftloop.analysis.stepresponse import StepResponse
from shaftloop.control.parameters import UNIT_OF
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import show

__all__ = ["step_picture"]

_FURTHEST = 4.0
"""Where the picture of a growing response is cut."""


def step_picture(steps: Sequence[StepResponse], subject: str) -> Picture:
    """Return reading and true quantity after a small step, one panel per loop.

    Parameters
    ----------
    steps : sequence of StepResponse
        One per loop.
    """

    def paint(figure: Any) -> None:
        for axes, step in zip(figure.subplots(1, len(steps), squeeze=False)[0], steps, strict=True):
            _draw(axes, step)

    shows = "True quantity and reading after a small step of the set-point"
    size = (max(8.5, 6.2 * len(steps)), 4.8)
    return Picture("step", "; ".join(map(_finding, steps)), shows, subject, size, paint)


def _finding(step: StepResponse) -> str:
    if step.settling_time is None or step.overshoot is None:
        return f"Loop {step.loop} does not settle after a small step"
    settled = show(step.settling_time, "s", 3)
    return f"Loop {step.loop} settles {settled} after a small step and overshoots by {step.overshoot:.1f} %"


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
    if step.settling_time is not None:
        axes.axvline(1e3 * step.settling_time, color=COLOURS["quiet"], linewidth=0.9, linestyle=":")
    unit = UNIT_OF[step.quantity]
    title = f"loop {step.loop}, step of {show(step.size, unit, 3)}; shaded: ±2 %, dotted: settled"
    axes.set_title(title, pad=20.0, **SIDE)
    over(axes, 2)
