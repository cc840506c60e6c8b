"""A loop before and after tuning, and predicted against simulated."""

from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.report.canvas import COLOURS, draw
from shaftloop.report.quantities import show
from shaftloop.studies.tuning.proof import Proof
from shaftloop.studies.tuning.results import Design, LoopTuning

__all__ = ["draw_proof", "draw_tuning"]

_BEFORE: Any = {"color": COLOURS["quiet"], "linewidth": 1.3, "linestyle": "--", "label": "before"}
_AFTER: Any = {"color": COLOURS["electrical"], "linewidth": 1.8, "label": "tuned"}
_BOUND: Any = {"color": COLOURS["loss"], "linewidth": 1.0, "linestyle": ":"}
_LOW, _HIGH = 1e-3, 1.3
"""What is shown of the frequencies: from the crossover times the one to half the rate times the other."""
_DEEPEST = -560.0
_FURTHEST = 3.0


def draw_tuning(entry: LoopTuning, title: str, paths: list[Path]) -> None:
    """Draw the open loop, the sensitivity and a step of the set-point, before and after.

    Parameters
    ----------
    entry : LoopTuning
        What was found.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    designs = [(style, design) for style, design in _designs(entry)]

    def paint(figure: Any) -> None:
        (size, step), (angle, closed) = figure.subplots(2, 2, width_ratios=(1.0, 1.0))
        for axes in (size, angle, closed):
            axes.set(xscale="log", xlim=_span(designs[-1][1]))
            axes.set_xlabel("frequency [Hz]")
        for style, design in designs:
            margins = design.analysis.margins
            phase = np.degrees(np.unwrap(np.angle(margins.response)))
            phase -= 360.0 * round((phase[0] + 90.0) / 360.0)
            size.plot(margins.frequency, np.abs(margins.response), **style)
            angle.plot(margins.frequency, phase, **style)
            closed.plot(margins.frequency, 1.0 / np.abs(1.0 + margins.response), **style)
            step.plot(1e3 * design.step.time, design.step.true, **style)
        _finish(entry, designs[-1][1], size, angle, closed, step)

    draw(paint, (12.0, 7.6), title, paths)


def draw_proof(entry: LoopTuning, title: str, paths: list[Path]) -> None:
    """Draw the proof: the true quantity and the command, predicted and simulated.

    Parameters
    ----------
    entry : LoopTuning
        With a proof.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    proof = entry.proof
    assert proof is not None, "only a loop with a proof is drawn"

    def paint(figure: Any) -> None:
        true, command = figure.subplots(2, 1, sharex=True, height_ratios=(1.5, 1.0))
        _draw_traces(proof, true, command)

    draw(paint, (10.5, 6.6), title, paths)


def _designs(entry: LoopTuning) -> list[tuple[Any, Design]]:
    pairs = [(_BEFORE, entry.before), (_AFTER, entry.chosen.design)]
    return [(style, design) for style, design in pairs if design is not None]


def _span(design: Design) -> tuple[float, float]:
    margins = design.analysis.margins
    last = float(margins.frequency[-1])
    centre = margins.crossover or last
    return max(_LOW * last, 0.02 * centre), _HIGH * last


def _finish(entry: LoopTuning, design: Design, size: Any, angle: Any, closed: Any, step: Any) -> None:
    bounds = entry.bounds
    gains = f"kp {design.loop.kp.value:.4g}, ki {design.loop.ki.value:.4g}"
    text = f"loop {entry.name}, {entry.chosen.title}: {gains}"
    size.set_title(text, loc="left", fontweight="normal", fontsize=10.0, parse_math=False)
    size.axhline(1.0, color="black", linewidth=0.8)
    size.set(yscale="log", ylabel="|L|", ylim=(1e-2, 1e2))
    size.legend(loc="upper right")
    angle.axhline(-180.0, color="black", linewidth=0.8)
    angle.set(ylabel="phase of L [°]", ylim=(_DEEPEST, 0.0))
    angle.set_yticks(np.arange(-540.0, 1.0, 90.0))
    closed.axhline(bounds.ms, **_BOUND)
    closed.annotate(
        f"bound on Ms, {bounds.ms:g}",
        (_span(design)[0], bounds.ms),
        xytext=(4, 4),
        textcoords="offset points",
        color=COLOURS["loss"],
        fontsize=9.0,
    )
    peak = max(other.analysis.margins.ms for _, other in _designs(entry))
    closed.set(yscale="log", ylabel="|S| = 1/|1 + L|", ylim=(0.03, 1.6 * max(min(peak, 10.0), bounds.ms)))
    longest = max(float(other.step.time[-1]) for _, other in _designs(entry))
    step.axhspan(0.98, 1.02, color="#EFEFEF")
    tops = [float(np.max(other.step.true)) for _, other in _designs(entry)]
    lows = [float(np.min(other.step.true)) for _, other in _designs(entry)]
    step.set(
        xlabel="time since a small step of the set-point [ms]",
        ylabel=f"true {design.step.quantity}, change / step",
        xlim=(-20.0 * longest, 1e3 * longest),
        ylim=(max(min(lows, default=0.0), -1.0) - 0.06, min(max(tops), _FURTHEST) + 0.1),
    )


def _draw_traces(proof: Proof, true: Any, command: Any) -> None:
    experiment = proof.experiment
    unit = "N m" if experiment.quantity == "torque" else "rpm"
    factor = 1.0 if experiment.quantity == "torque" else 30.0 / np.pi
    for trace, style, label in (
        (proof.simulated, {"color": COLOURS["true"], "linewidth": 1.1}, "simulated, full bench"),
        (proof.predicted, {"color": "black", "linewidth": 1.1, "linestyle": "--"}, "predicted, linear"),
    ):
        time = 1e3 * trace.time
        true.plot(time, factor * trace.true, label=label, **style)
        command.plot(time, trace.command, **style)
    true.axvline(1e3 * experiment.horizon, color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
    command.axvline(1e3 * experiment.horizon, color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
    size = show(experiment.step, "N m" if experiment.quantity == "torque" else "rad/s", 3)
    torque = show(experiment.torque, "N m", 3)
    text = f"loop {experiment.loop}: set-point by {size} at 0, then {torque} on the command"
    true.set_title(text + " (dotted)", loc="left", fontweight="normal", fontsize=10.0, parse_math=False)
    true.set_ylabel(f"true {experiment.quantity}, change [{unit}]")
    true.legend(loc="lower right")
    command.set(xlabel="time since the step of the set-point [ms]", ylabel="asked for [N m]")
