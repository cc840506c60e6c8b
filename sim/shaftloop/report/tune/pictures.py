"""A loop before and after tuning, and predicted against simulated."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.cautions import CAUTIONS
from shaftloop.control.parameters import UNIT_OF
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import show
from shaftloop.report.tune.verdict import gained
from shaftloop.studies.tuning.proof import Proof
from shaftloop.studies.tuning.results import Design, LoopTuning
from shaftloop.studies.tuning.search import Objective

__all__ = ["proof_picture", "tuning_picture"]

Array = NDArray[np.float64]

_BEFORE: Any = {"color": COLOURS["before"], "linewidth": 1.3, "linestyle": "--", "label": "before"}
_AFTER: Any = {"color": COLOURS["now"], "linewidth": 1.8, "label": "tuned"}
_BOUND: Any = {"color": COLOURS["limit"], "linewidth": 1.0, "linestyle": ":"}
_LOW, _HIGH = 1e-3, 1.3
"""What is shown of the frequencies: from the crossover times the one to half the rate times the other."""
_DEEPEST = -560.0
_FURTHEST = 3.0
_FADED = 0.02
"""Share of its peak below which an error is not shown any more."""


def tuning_picture(entry: LoopTuning, objective: Objective, subject: str) -> Picture:
    """Return what was optimised, the open loop and the sensitivity, before and after.

    Parameters
    ----------
    objective : str
        What was optimised.
    """
    designs = [(style, design) for style, design in _designs(entry)]

    def paint(figure: Any) -> None:
        (aim, size), (closed, angle) = figure.subplots(2, 2, width_ratios=(1.0, 1.0))
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
        curves = [(style, *_aimed(design, objective)) for style, design in designs]
        _draw_aim(aim, curves, objective, designs[-1][1].loop.unit)
        quantity = designs[-1][1].step.quantity
        unit = "" if objective == "setpoint" else f" [{UNIT_OF[quantity]}]"
        aim.set_ylabel(f"error of the {quantity}{unit}" + (" / step" if not unit else ""))
        _finish(entry, designs[-1][1], size, angle, closed)

    shows = "What was optimised, open loop and sensitivity, before and after tuning"
    title, size = gained(entry, objective), (12.0, 7.8)
    return Picture(f"tune-{entry.name}", title, shows, subject, size, paint, CAUTIONS["gains"])


def proof_picture(entry: LoopTuning, subject: str) -> Picture:
    """Return the proof: the true quantity and the command, predicted and simulated."""
    proof = entry.proof
    assert proof is not None, "only a loop with a proof is drawn"

    def paint(figure: Any) -> None:
        true, command = figure.subplots(2, 1, sharex=True, height_ratios=(1.5, 1.0))
        _draw_traces(proof, true, command)

    far = [row for row in proof.rows if row.different]
    title = f"Loop {entry.name}: the full bench does what the linear loop predicts, within a tenth"
    if far:
        why = dict.fromkeys(row.explanation.partition(" (")[0] for row in far if row.explanation)
        title = (
            f"Loop {entry.name}: {', '.join(row.name for row in far)} as simulated differ from the prediction"
        )
        title += f", {'; '.join(why)}" if why else ""
    shows = "True quantity and torque command after steps of set-point and command, predicted and simulated"
    size = (10.5, 6.8)
    return Picture(f"proof-{entry.name}", title, shows, subject, size, paint, CAUTIONS["gains"])


def _designs(entry: LoopTuning) -> list[tuple[Any, Design]]:
    pairs = [(_BEFORE, entry.before), (_AFTER, entry.chosen.design)]
    return [(style, design) for style, design in pairs if design is not None]


def _aimed(design: Design, objective: Objective) -> tuple[Array, Array]:
    """Return the error whose size was made small, over time [s]."""
    if objective == "setpoint":
        return design.step.time, 1.0 - design.step.reading
    return design.disturbed.time, -design.disturbed.reading


def _draw_aim(axes: Any, curves: list[tuple[Any, Array, Array]], objective: Objective, unit: str) -> None:
    last = 0.0
    for style, time, error in curves:
        axes.plot(1e3 * time, error, **style)
        axes.fill_between(1e3 * time, error, color=style["color"], alpha=0.15, linewidth=0.0)
        seen = np.flatnonzero(np.abs(error) > _FADED * np.max(np.abs(error)))
        last = max(last, float(time[seen[-1]]) if len(seen) else 0.0)
    what = "the set-point, small" if objective == "setpoint" else f"1 {unit} on the command"
    axes.axhline(0.0, color="black", linewidth=0.8)
    axes.set(xlabel=f"time since a step of {what} [ms]", xlim=(0.0, 1.1e3 * last or None))
    axes.set_title(
        "what was optimised: the shaded area"
        if objective != "integral_gain"
        else "what ki makes small: the area, with its sign",
        pad=22.0,
        **SIDE,
    )
    over(axes, 2)


def _span(design: Design) -> tuple[float, float]:
    margins = design.analysis.margins
    last = float(margins.frequency[-1])
    centre = margins.crossover or last
    return max(_LOW * last, 0.02 * centre), _HIGH * last


def _finish(entry: LoopTuning, design: Design, size: Any, angle: Any, closed: Any) -> None:
    bounds = entry.bounds
    gains = f"kp {design.loop.kp.value:.4g}, ki {design.loop.ki.value:.4g}"
    size.set_title(f"open loop L with {gains} ({entry.chosen.title})", **SIDE)
    size.axhline(1.0, color="black", linewidth=0.8)
    size.set(yscale="log", ylabel="|L|", ylim=(1e-2, 1e2))
    angle.axhline(-180.0, color="black", linewidth=0.8)
    angle.set(ylabel="phase of L [°]", ylim=(_DEEPEST, 0.0))
    angle.set_yticks(np.arange(-540.0, 1.0, 90.0))
    closed.axhline(bounds.ms, **_BOUND)
    closed.annotate(
        f"bound on Ms (peak sensitivity), {bounds.ms:g}",
        (_span(design)[0], bounds.ms),
        xytext=(4, 4),
        textcoords="offset points",
        color=COLOURS["limit"],
        fontsize=9.0,
    )
    peak = max(other.analysis.margins.ms for _, other in _designs(entry))
    closed.set(yscale="log", ylabel="|S| = 1/|1 + L|", ylim=(0.03, 1.6 * max(min(peak, 10.0), bounds.ms)))


def _draw_traces(proof: Proof, true: Any, command: Any) -> None:
    experiment = proof.experiment
    unit, factor = UNIT_OF[experiment.quantity], 1.0
    if unit == "rad/s":
        unit, factor = "rpm", 30.0 / np.pi
    colour = COLOURS["true"]
    for trace, style, label in (
        (proof.simulated, {"linewidth": 1.3}, "simulated, full bench"),
        (proof.predicted, {"color": "black", "linewidth": 1.1, "linestyle": "--"}, "predicted, linear"),
    ):
        time = 1e3 * trace.time
        true.plot(time, factor * trace.true, label=label, **({"color": colour} | style))
        command.plot(time, trace.command, label=label, **({"color": COLOURS["now"]} | style))
    for axes in (true, command):
        axes.axvline(1e3 * experiment.horizon, color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
        over(axes, 2)
    size = show(experiment.step, UNIT_OF[experiment.quantity], 3)
    torque = show(experiment.torque, experiment.unit, 3)
    text = f"loop {experiment.loop}: set-point by {size} at 0, then {torque} on the command (dotted)"
    true.set_title(text, pad=22.0, **SIDE)
    true.set_ylabel(f"true {experiment.quantity}, change [{unit}]")
    command.set(xlabel="time since the step of the set-point [ms]", ylabel=f"command [{experiment.unit}]")
