"""The overview of a run: torque, speeds and powers over time, with a closer look at the first torque step."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.metrics import torque_steps
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.steps import settling_time
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw, thinned

__all__ = ["draw_overview"]

Array = NDArray[np.float64]

_RPM = 30.0 / math.pi
_MARKED = {"tripped": "trip", "torque_off": "torque off", "ramp_down": "ramp down"}
_WORTH_ZOOMING = 0.5
_FEWEST = 60
"""Records that a closer look shows at least."""

_Curve = tuple[str, Array, Array, dict[str, Any]]
"""Label, time [s], values, style."""


def draw_overview(simulation: Simulation, title: str, paths: list[Path]) -> None:
    """Draw the overview of a run.

    Parameters
    ----------
    simulation : Simulation
        Finished run.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    rows = [
        (f"{label} [{_scaled(curves, unit)[0]}]", _scaled(curves, unit)[1])
        for label, unit, curves in (
            ("torque", "N m", _torques(simulation)),
            ("speed", "rpm", _speeds(simulation)),
            ("power", "W", _powers(simulation)),
        )
        if curves
    ]
    window = zoom_window(simulation)

    def paint(figure: Any) -> None:
        columns = 2 if window else 1
        ratios = [1.7, 1.0] if window else [1.0]
        axes = figure.subplots(len(rows), columns, squeeze=False, sharex="col", width_ratios=ratios)
        for row, (label, curves) in zip(axes, rows, strict=True):
            _plot(row[0], curves, 1.0, 0.0)
            row[0].set_ylabel(label)
            row[0].legend(loc="lower left", bbox_to_anchor=(-0.01, 0.98), ncols=5, borderaxespad=0.0)
            if window:
                inside = [_cut(curve, *window) for curve in curves]
                _plot(row[1], inside, 1e3, window[2])
                row[0].axvspan(window[0], window[1], color="#000000", alpha=0.06, linewidth=0.0)
        axes[-1][0].set_xlabel("time [s]")
        axes[-1][0].set_xlim(0.0, simulation.duration)
        if window:
            axes[0][1].set_title("first torque step (shaded on the left)", loc="left")
            axes[-1][1].set_xlabel(f"time after the step at {window[2]:.6g} s [ms]")
            axes[-1][1].set_xlim(1e3 * (window[0] - window[2]), 1e3 * (window[1] - window[2]))
        _mark(axes[0][0], [row[0] for row in axes], simulation)

    draw(paint, (12.5, 2.7 * len(rows) + 0.7), title, paths)


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
    length = min(max(2.5 * (settled if settled is not None else end - at), least), end - at)
    if length > _WORTH_ZOOMING * simulation.duration or length <= 0.0:
        return None
    return max(at - 0.15 * length, 0.0), at + length, at


def _torques(simulation: Simulation) -> list[_Curve]:
    traces, time = simulation.traces, simulation.time
    if "true_torque" not in traces:
        return []
    curves: list[_Curve] = [
        ("reading", time, traces["reading"], {"color": COLOURS["reading"], "drawstyle": "steps-post"}),
        ("true torque", time, traces["true_torque"], {"color": COLOURS["true"]}),
    ]
    loop = simulation.bench.torque_loop()
    if loop is not None:
        setpoint = traces[f"{loop.parameters.name}_setpoint"]
        curves.insert(0, ("set-point", time, setpoint, _SETPOINT))
    return curves


_SETPOINT = {"color": COLOURS["setpoint"], "linestyle": "--", "linewidth": 1.0, "zorder": 3.0}


def _speeds(simulation: Simulation) -> list[_Curve]:
    traces, time = simulation.traces, simulation.time
    curves: list[_Curve] = []
    loop = simulation.bench.speed_loop()
    if loop is not None:
        curves.append(("set-point", time, _RPM * traces[f"{loop.parameters.name}_setpoint"], _SETPOINT))
    names = _machines(simulation)
    for i, (name, colour) in enumerate(names):
        # The speeds lie on each other most of the time: the first ones are drawn wider, below.
        width = 1.2 + 1.6 * (len(names) - 1 - i)
        style = {"color": colour, "linewidth": width, "zorder": 2.0 + 0.1 * i}
        curves.append((name, time, _RPM * traces[f"{name}_speed"], style))
    return curves


def _powers(simulation: Simulation) -> list[_Curve]:
    """Return electrical powers, as means over the record intervals, and mechanical ones at the air gap."""
    traces, time = simulation.traces, simulation.time
    if len(time) < 2:
        return []
    middle = 0.5 * (time[1:] + time[:-1])
    period = float(simulation.bench.record_period)
    curves: list[_Curve] = []
    for name, colour in _machines(simulation):
        mechanical = traces[f"{name}_torque"] * traces[f"{name}_speed"]
        electrical = np.diff(traces[f"{name}_energy"]) / period
        faint = {"color": colour, "linewidth": 2.6, "alpha": 0.35, "zorder": 1.5}
        curves.append((f"{name} mechanical", time, mechanical, faint))
        curves.append((f"{name} from link", middle, electrical, {"color": colour}))
    grid = np.diff(traces["grid_energy"]) / period
    curves.append(("from grid", middle, grid, {"color": COLOURS["grid"], "linewidth": 1.2}))
    return curves


def _machines(simulation: Simulation) -> list[tuple[str, str]]:
    """Return names and colours of the machines, left to right."""
    names = [part.name for part in simulation.bench.description.line if part.name in simulation.bench.machines]
    return [(name, MACHINE_COLOURS[i % len(MACHINE_COLOURS)]) for i, name in enumerate(names)]


def _scaled(curves: list[_Curve], unit: str) -> tuple[str, list[_Curve]]:
    """Return the curves with kilo in front of the unit where they are large, milli where they are small."""
    largest = max(float(np.max(np.abs(values), initial=0.0)) for _, _, values, _ in curves)
    factor, prefix = 1.0, ""
    if unit != "rpm" and largest >= 2000.0:
        factor, prefix = 1e-3, "k"
    elif unit != "rpm" and 0.0 < largest < 0.05:
        factor, prefix = 1e3, "m"
    return prefix + unit, [(label, time, factor * values, style) for label, time, values, style in curves]


def _cut(curve: _Curve, begin: float, end: float, _: float) -> _Curve:
    label, time, values, style = curve
    first, last = np.searchsorted(time, (begin, end))
    part = slice(max(int(first) - 1, 0), int(last) + 1)
    return label, time[part], values[part], style


def _plot(axes: Any, curves: list[_Curve], factor: float, origin: float) -> None:
    for label, time, values, style in curves:
        x, y = thinned(time, values)
        axes.plot(factor * (x - origin), y, label=label, **style)
    axes.margins(x=0.0, y=0.08)


def _mark(top: Any, columns: list[Any], simulation: Simulation) -> None:
    """Mark trips and what followed from them."""
    place: Callable[[float], dict[str, Any]] = lambda time: {  # noqa: E731
        "xy": (time, 1.0),
        "xycoords": ("data", "axes fraction"),
    }
    for event in simulation.events:
        if event.kind in _MARKED:
            for axes in columns:
                axes.axvline(event.time, color=COLOURS["loss"], linestyle=":", linewidth=1.2)
        if event.kind == "tripped":
            top.annotate(
                f"{event.name}: trip at {event.time:.4g} s ",
                **place(event.time),
                ha="right",
                va="top",
                color=COLOURS["loss"],
                fontweight="bold",
                parse_math=False,
            )
