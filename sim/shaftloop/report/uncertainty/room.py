"""What `shaftloop uncertainty` found about a bench: document, terminal, folder of files."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from shaftloop.analysis.efficiency import Comparison, PointBudget, WindowCurve
from shaftloop.analysis.efficiency_map import EfficiencyMap
from shaftloop.analysis.efficiency_points import BenchPoint
from shaftloop.analysis.uncertainty.evaluation import Evaluation
from shaftloop.answers.uncertainty import UncertaintyAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece
from shaftloop.report.uncertainty.evaluation import evaluation_document
from shaftloop.report.uncertainty.tables import share_above_one, show_point
from shaftloop.report.uncertainty.verdict import advice, verdict
from shaftloop.words import spoken

__all__ = ["FILE", "advice", "details", "document", "pictures", "verdict"]

FILE = "uncertainty.json"

_DETAILED = ("torque", "electrical_power", "efficiency")
_DRAWN = ("torque", "speed", "electrical_power", "efficiency", "loss")


def document(results: UncertaintyAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    document = {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "unit": results.measured.unit,
        "sensor": results.measured.sensor.name,
        "window": number(results.plan.window, "s"),
        "points": [_point(budget, found) for budget, found in results.points],
        "best_window": {
            name: number(value, "s", f"no least uncertainty {_range(results.window)}")
            for name, value in results.window.best.items()
        },
        "best_window_point": {
            "speed": number(results.window.point.speed, "rad/s"),
            "torque": number(results.window.point.torque, "N m"),
        },
        "window_curve": _curve(results.window),
        "warnings": list(results.scenario.warnings),
    }
    return document | ({"map": _map(results.map)} if results.map is not None else {})


def details(results: UncertaintyAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    unit = results.measured.unit
    for budget, found in results.points:
        way = "motoring" if budget.motoring else "generating"
        idle = budget.point.speed * budget.point.torque == 0.0
        doing = f"{unit} without power" if idle else f"{unit} {way}"
        title = f"{results.scenario.description.title}: {doing} at {_where(budget.point)}"
        yield from show_point(title, budget, found, _DETAILED)
    curve = results.window
    best = [
        f"{spoken(name)} with {show(value, 's', 3)}"
        for name, value in curve.best.items()
        if value is not None
    ]
    none = [spoken(name) for name, value in curve.best.items() if value is None]
    text = [f"Averaging window {show(results.plan.window, 's', 3)}"]
    text += [f"at {_where(curve.point)} least uncertainty of {', '.join(best)}"] if best else []
    text += [f"none {_range(curve)} for {', '.join(none)}"] if none else []
    yield f"{'; '.join(text)}."


def _where(point: BenchPoint) -> str:
    return f"{show(point.speed, 'rad/s')}, {show(point.torque, 'N m')}"


def _range(curve: WindowCurve) -> str:
    return f"between {show(curve.window[0], 's', 3)} and {show(curve.window[-1], 's', 3)}"


def pictures(results: UncertaintyAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.uncertainty.bars import bars_picture
    from shaftloop.report.uncertainty.map import efficiency_map_picture, window_picture

    subject, drawn = results.title, []
    for i, (budget, found) in enumerate(results.points, 1):
        name = "contributions" if len(results.points) == 1 else f"contributions-{i}"
        shown = [result for result in _DRAWN if result not in budget.unmeasured]
        drawn.append(bars_picture(found, shown, True, name, f"{subject}, at {_where(budget.point)}"))
    drawn.append(window_picture(results.window, results.plan.window, subject))
    if results.map is not None:
        left_out = {text for budget, _ in results.points for text in budget.left_out if "efficiency" in text}
        missing = "; ".join(sorted(left_out)) or "no point of the map lies in the envelope of the bench"
        points = tuple(budget.point for budget, _ in results.points)
        drawn.append(efficiency_map_picture(results.map, points, missing, subject))
    return drawn


def _point(budget: PointBudget, found: Evaluation) -> dict[str, Any]:
    point = budget.point
    return {
        "speed": number(point.speed, "rad/s"),
        "torque": number(point.torque, "N m"),
        "motoring": budget.motoring,
        **evaluation_document(found, budget.unmeasured),
        "torque_speed_correlation": budget.torque_speed_correlation,
        "efficiency_methods": _comparison(budget.comparison),
        "efficiency_above_one": {"share_of_trials": share_above_one(found), "clipped": False},
        "left_out": list(budget.left_out),
    }


def _comparison(comparison: Comparison | None) -> dict[str, Any]:
    reason = "state uncertainty.losses, or supply_meter and split, and a power meter on the unit"
    values = comparison or Comparison(math.nan, math.nan, math.nan)
    return {
        "input_output_expanded": number(values.direct, "1", reason),
        "from_losses_expanded": number(values.from_losses, "1", reason),
        "losses_better_above": number(values.crossover, "1", reason),
        "better": None
        if comparison is None
        else "losses"
        if values.from_losses < values.direct
        else "input_output",
    }


def _curve(curve: WindowCurve) -> dict[str, Any]:
    units = {"torque": "N m", "speed": "rad/s", "mechanical_power": "W", "efficiency": "1"}
    return {
        "window": {"values": [float(f"{value:.6g}") for value in curve.window], "unit": "s"},
        "expanded_uncertainty": {
            name: {"values": [float(f"{value:.6g}") for value in values], "unit": units[name]}
            for name, values in curve.expanded.items()
        },
    }


def _map(found: EfficiencyMap) -> dict[str, Any]:
    def rows(values: Any) -> list[list[float | None]]:
        return [[None if np.isnan(v) else float(f"{v:.6g}") for v in row] for row in values]

    return {
        "speed": {"values": found.speed.tolist(), "unit": "rad/s"},
        "torque": {"values": found.torque.tolist(), "unit": "N m"},
        "coverage": found.coverage,
        "efficiency": {"values": rows(found.efficiency), "unit": "1"},
        "input_output_expanded": {"values": rows(found.direct), "unit": "1"},
        "from_losses_expanded": {"values": rows(found.from_losses), "unit": "1"},
        "reason": "null: outside the envelope of the bench, or no efficiency by this way",
    }
