"""The overview of a run: torque, speeds and powers over time, with a closer look at the first torque step."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.metrics import torque_steps
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.steps import settling_time
from shaftloop.engine.events import SEQUENCE
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, thinned
from shaftloop.report.quantities import show
from shaftloop.scenario.faults import said

__all__ = ["machine_colours", "overview_picture", "zoom_window"]

Array = NDArray[np.float64]

_RPM = 30.0 / math.pi
_MARKED = ("failed", "tripped", "torque_off", "ramp_down")
_NAMED, _ROW = 6, 0.09
"""How many of them have words, and the share of the height that a line of words takes."""
_LARGE, _SMALL = 2500.0, 0.05
_POWERS_DRAWN = 400
"""Points of a power curve of the whole run: its means over short stretches, free of ripple."""
_WORTH_ZOOMING = 0.5
_FEWEST = 150
"""Records that a closer look shows at least."""

_LEGEND = {
    "loc": "lower left",
    "bbox_to_anchor": (-0.01, 0.98),
    "ncols": 5,
    "borderaxespad": 0.0,
    "columnspacing": 1.0,
    "handlelength": 1.5,
    "handletextpad": 0.5,
}

_Curve = tuple[str, Array, Array, dict[str, Any]]
"""Label, time [s], values, style."""


def overview_picture(simulation: Simulation, title: str, subject: str) -> Picture:
    """Return the overview of a run.

    Parameters
    ----------
    title : str
        Its finding.
    """
    window = zoom_window(simulation)
    bin_width = max(len(simulation.time) // _POWERS_DRAWN, 1)
    wide = [_torques(simulation), _speeds(simulation), _powers(simulation, bin_width)]
    close = [*wide[:2], _powers(simulation, 1)]
    names = ["torque [{}N m]", "speed [rpm]", "power [{}W]"]
    if bin_width > 1:
        names[2] += f"\nmeans over {show(bin_width * float(simulation.bench.record_period), 's', 2)}"
    shown = [i for i, curves in enumerate(wide) if curves]

    def paint(figure: Any) -> None:
        ratios = [1.7, 1.0] if window else [1.0]
        axes = figure.subplots(len(shown), len(ratios), squeeze=False, sharex="col", width_ratios=ratios)
        for row, i in zip(axes, shown, strict=True):
            factor, prefix = _scale(wide[i]) if "{}" in names[i] else (1.0, "")
            _plot(row[0], wide[i], factor)
            row[0].set_ylabel(names[i].format(prefix))
            row[0].legend(**_LEGEND)
            if window:
                _plot(row[1], [_cut(curve, window) for curve in close[i]], factor)
                row[0].axvspan(window[0], window[1], color="#000000", alpha=0.06, linewidth=0.0)
        duty = simulation.duty
        during = "" if duty is None else f" in the {duty.run} of {duty.cycles} cycles that were run"
        axes[-1][0].set_xlabel(f"time{during} [s]")
        axes[-1][0].set_xlim(0.0, simulation.duration or 1.0)
        if window:
            axes[0][1].set_title("closer look at the shaded stretch", loc="left", fontweight="normal")
            axes[-1][1].set_xlabel(f"time after the torque step at {window[2]:.6g} s [ms]")
            axes[-1][1].set_xlim(1e3 * (window[0] - window[2]), 1e3 * (window[1] - window[2]))
        _mark(axes[0][0], [row[0] for row in axes], simulation)

    shows = "Torque, speed and power over time, with a closer look at the first torque step"
    return Picture("overview", title, shows, subject, (12.5, 2.7 * len(shown) + 0.7), paint)


def zoom_window(simulation: Simulation) -> tuple[float, float, float] | None:
    """Return begin and end of a closer look at the first torque step and its instant; nothing to show: None.

    Parameters
    ----------
    simulation : Simulation
        Finished run. [s]
    """
    steps = torque_steps(simulation)
    if not steps:
        return None
    step, time = steps[0], simulation.time
    at, end = float(time[step.hold.first]), float(time[step.hold.end - 1])
    settled = settling_time(step, time, simulation.traces["true_torque"], 0.02)
    least = _FEWEST * float(simulation.bench.record_period)
    length = min(max(1.6 * (settled if settled is not None else end - at), least), end - at)
    if length > _WORTH_ZOOMING * simulation.duration or length <= 0.0:
        return None
    return max(at - 0.15 * length, 0.0), at + length, at


def _torques(simulation: Simulation) -> list[_Curve]:
    traces, time = simulation.traces, simulation.time
    if "true_torque" not in traces:
        return []
    curves: list[_Curve] = [
        ("reading", time, traces["reading"], _READING),
        ("true torque", time, traces["true_torque"], {"color": COLOURS["true"]}),
    ]
    loop = simulation.bench.torque_loop()
    if loop is not None:
        setpoint = traces[f"{loop.parameters.name}_setpoint"]
        curves.insert(0, ("set-point", time, setpoint, _SETPOINT))
    return curves


_READING = {"color": COLOURS["reading"], "drawstyle": "steps-post", "linewidth": 2.6}
_SETPOINT = {"color": COLOURS["setpoint"], "linestyle": "--", "linewidth": 1.0, "zorder": 3.0}


def _speeds(simulation: Simulation) -> list[_Curve]:
    traces, time = simulation.traces, simulation.time
    curves: list[_Curve] = []
    loop = simulation.bench.speed_loop()
    if loop is not None:
        curves.append(("set-point", time, _RPM * traces[f"{loop.parameters.name}_setpoint"], _SETPOINT))
    names = machine_colours(simulation)
    for i, (name, colour) in enumerate(names.items()):
        # The speeds lie on each other most of the time: the first ones are drawn wider, below.
        width = 1.2 + 1.6 * (len(names) - 1 - i)
        style = {"color": colour, "linewidth": width, "zorder": 2.0 + 0.1 * i}
        curves.append((name, time, _RPM * traces[f"{name}_speed"], style))
    return curves


def _powers(simulation: Simulation, width: int) -> list[_Curve]:
    """Return electrical powers and mechanical ones at the air gap, as means over a number of records."""
    traces, time = simulation.traces, simulation.time
    edges = np.arange(0, len(time), width)
    if len(edges) < 2:
        return []
    length, middle = np.diff(time[edges]), 0.5 * (time[edges[1:]] + time[edges[:-1]])
    curves: list[_Curve] = []
    for name, colour in machine_colours(simulation).items():
        product = traces[f"{name}_torque"] * traces[f"{name}_speed"]
        mechanical = np.add.reduceat(product, edges)[:-1] / width
        electrical = np.diff(traces[f"{name}_energy"][edges]) / length
        faint = {"color": colour, "linewidth": 2.8, "alpha": 0.35, "zorder": 1.5}
        curves.append((f"{name} mechanical", middle, mechanical, faint))
        source = "link" if simulation.bench.machines[name].fed else "fuel"
        curves.append((f"{name} from {source}", middle, electrical, {"color": colour}))
    grid = np.diff(traces["grid_energy"][edges]) / length
    curves.append(("from grid", middle, grid, {"color": COLOURS["grid"], "linewidth": 1.2}))
    return curves


def machine_colours(simulation: Simulation) -> dict[str, str]:
    """Return the colours of the machines by name, left to right."""
    names = [
        part.name for part in simulation.bench.description.line if part.name in simulation.bench.machines
    ]
    return {name: MACHINE_COLOURS[i % len(MACHINE_COLOURS)] for i, name in enumerate(names)}


def _scale(curves: list[_Curve]) -> tuple[float, str]:
    """Return factor and prefix that keep the numbers at an axis short."""
    largest = max(float(np.max(np.abs(values), initial=0.0)) for _, _, values, _ in curves)
    if largest >= _LARGE:
        return 1e-3, "k"
    return (1e3, "m") if 0.0 < largest < _SMALL else (1.0, "")


def _cut(curve: _Curve, window: tuple[float, float, float]) -> _Curve:
    """Return what lies in a window, over the time after its step. [ms]."""
    label, time, values, style = curve
    first, last = np.searchsorted(time, window[:2])
    part = slice(max(int(first) - 1, 0), int(last) + 1)
    return label, 1e3 * (time[part] - window[2]), values[part], style


def _plot(axes: Any, curves: list[_Curve], factor: float) -> None:
    for label, time, values, style in curves:
        axes.plot(*thinned(time, factor * values), label=label, **style)
    axes.margins(x=0.0, y=0.08)


def _mark(top: Any, columns: list[Any], simulation: Simulation) -> None:
    """Mark what fails, trips, and what followed from them."""
    named = [e for e in simulation.events if e.kind in ("failed", "tripped") or e.name == SEQUENCE]
    named = [event for event in named if event.kind in _MARKED][:_NAMED]
    # The words stand above the curves.
    low, high = top.get_ylim()
    top.set_ylim(low, low + (high - low) / (1.0 - _ROW * len(named)))
    happens = {fault.name: said(fault) for fault in simulation.bench.description.fault}
    for event in simulation.events:
        if event.kind not in _MARKED:
            continue
        for axes in columns:
            axes.axvline(event.time, color=COLOURS["limit"], linestyle=":", linewidth=1.2)
        if event in named:
            late, failed = event.time > 0.5 * simulation.duration, event.kind == "failed"
            what = happens[event.name] if failed else f"{event.name} trips"
            top.annotate(
                f"  {what} at {event.time:.4g} s  ",
                (event.time, 1.0 - _ROW * named.index(event)),
                xycoords=("data", "axes fraction"),
                ha="right" if late else "left",
                va="top",
                color=COLOURS["limit"],
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.0},
                parse_math=False,
            )
