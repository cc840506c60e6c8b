"""Uncertainty of torque, speed, power, losses and efficiency of the machines of a bench.

Efficiency directly is output over input, each measured. From the losses it is 1 − losses/input: an error of
the losses counts only with the small share that the losses have, so above some efficiency this way is the
better one. With r_d the relative uncertainty of output over input and r_l that of losses over input, both
are equal at η = r_l/(r_d + r_l).

Losses are known one by one (`losses`), or in a back-to-back bench as a share of what the supply delivers
(`supply_meter` and `split`), which is all losses and nothing else (check E10.4).

A drift of the operating point moves shaft power and electrical power together, the losses being taken as
constant inside the window; so it is in the uncertainty of either and nearly cancels in the efficiency. What
is left is the difference of the delays of both readings.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.efficiency_inputs import (
    Components,
    electrical_delay,
    find_encoder,
    meter_components,
    speed_components,
    torque_components,
)
from shaftloop.analysis.efficiency_points import BenchPoint, MeasuredBench
from shaftloop.analysis.uncertainty.distributions import ArcSine
from shaftloop.analysis.uncertainty.model import Input, Measurement, Output
from shaftloop.analysis.uncertainty.propagation import Propagation, propagate
from shaftloop.scenario.uncertainty import Uncertainty
from shaftloop_models.power_meter import PowerMeter

__all__ = ["Comparison", "PointBudget", "WindowCurve", "bench_budget", "bench_measurement", "window_curve"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Comparison:
    """Efficiency by input and output against efficiency from losses."""

    direct: float
    """Expanded uncertainty by input and output. [1]"""
    from_losses: float
    """Expanded uncertainty from losses. [1]"""
    crossover: float
    """Efficiency above which losses are the better way, with the relative uncertainties found here. [1]"""


@dataclass(frozen=True)
class PointBudget:
    """Uncertainties at one operating point."""

    point: BenchPoint
    measurement: Measurement
    propagation: Propagation
    motoring: bool
    """True where the unit drives the line."""
    comparison: Comparison | None
    left_out: tuple[str, ...]
    """Effects and results that are not in the budget, with the reason."""
    unmeasured: dict[str, str]
    """Results whose uncertainty nothing tells, with the reason."""

    @property
    def torque_speed_correlation(self) -> float:
        """Correlation between the errors of torque and speed [1]."""
        names = [output.name for output in self.measurement.outputs]
        return float(self.propagation.correlation[names.index("torque"), names.index("speed")])


@dataclass(frozen=True)
class WindowCurve:
    """Expanded uncertainty against the averaging window."""

    window: Array
    """[s]"""
    expanded: dict[str, Array]
    """By result, each of shape (windows,). [unit of the result]"""
    best: dict[str, float | None]
    """Window of least uncertainty by result; None where it lies at an end, or nowhere. [s]"""
    point: BenchPoint


def bench_budget(measured: MeasuredBench, point: BenchPoint, plan: Uncertainty | None = None) -> PointBudget:
    """Return all uncertainties at an operating point.

    Parameters
    ----------
    plan : Uncertainty, optional
        Conditions in place of those of the scenario.
    """
    chosen = plan or measured.description.uncertainty or Uncertainty()
    measurement, left_out = bench_measurement(measured, point, chosen)
    found = propagate(measurement, chosen.coverage)
    motoring = measured.side * point.torque * point.speed > 0.0
    unmeasured = {
        budget.name: "not known: no error of it is stated"
        for budget in found.budgets
        if budget.uncertainty == 0.0
    }
    if find_encoder(measured) is None:
        unmeasured["speed"] = "not measured: no encoder turns with the sensor"
    return PointBudget(point, measurement, found, motoring, _compare(found), tuple(left_out), unmeasured)


def bench_measurement(
    measured: MeasuredBench, point: BenchPoint, plan: Uncertainty
) -> tuple[Measurement, list[str]]:
    """Return the measurement function of a bench at a point, and what it leaves out."""
    meters = {meter.on: meter for meter in measured.description.power_meter}
    groups = [
        torque_components(measured.sensor, point.torque, point.speed, plan),
        speed_components(find_encoder(measured), point.speed, plan),
    ]
    names = [name for name in (measured.unit, measured.other) if name in meters]
    groups += [meter_components(meters[str(name)], point.powers[str(name)]) for name in names]
    groups.append(_joint(measured, point, plan, meters.get(measured.unit)))
    groups.append(_loss_errors(measured, point, plan))
    inputs = [entry for group in groups for entry in group.inputs]
    left_out = [text for group in groups for text in group.left_out]
    results, missing = _results(measured, point, plan, [str(name) for name in names])
    outputs = [output for output, _ in results]
    function = _function(measured, point, groups, [formula for _, formula in results])
    pairs = _correlations(inputs, plan, [str(name) for name in names])
    return Measurement(function, inputs, outputs, pairs), [*left_out, *missing]


def window_curve(
    measured: MeasuredBench, point: BenchPoint, plan: Uncertainty, count: int = 25
) -> WindowCurve:
    """Return the uncertainties over the averaging window, a hundredth to a hundredfold of the stated one.

    Parameters
    ----------
    count : int
        Number of windows.
    """
    windows = plan.window * np.logspace(-2.0, 2.0, count)

    def budgets(window: float) -> Propagation:
        return bench_budget(measured, point, replace(plan, window=window)).propagation

    rows = [budgets(float(window)) for window in windows]
    unmeasured = bench_budget(measured, point, plan).unmeasured
    names = [budget.name for budget in rows[0].budgets if budget.name not in unmeasured]
    wanted: list[str] = [
        name for name in ("torque", "speed", "mechanical_power", "efficiency") if name in names
    ]
    expanded = {name: np.array([row[name].expanded for row in rows]) for name in wanted}
    best = {name: _least(windows, values, name, budgets) for name, values in expanded.items()}
    return WindowCurve(windows, expanded, best, point)


def _least(windows: Array, values: Array, name: str, budgets: Callable[[float], Propagation]) -> float | None:
    """Return the window of least value between the neighbours of the least one of a grid [s]."""
    from scipy.optimize import minimize_scalar

    at = int(np.argmin(values))
    if not 0 < at < len(windows) - 1:
        return None
    ends = math.log(windows[at - 1]), math.log(windows[at + 1])
    found = minimize_scalar(
        lambda x: budgets(math.exp(x))[name].expanded, bounds=ends, method="bounded", options={"xatol": 1e-3}
    )
    return math.exp(float(found.x))


def _joint(
    measured: MeasuredBench, point: BenchPoint, plan: Uncertainty, meter: PowerMeter | None
) -> Components:
    """Return what torque and speed, or shaft and link, do together."""
    found = Components("joint", "W")
    if plan.torque_ripple and plan.speed_ripple:
        # The mean of a product is not the product of the means: ½·T·ω·cos φ, φ between both ripples.
        found.add(
            "ripple_product",
            ArcSine(0.0, 0.5 * plan.torque_ripple * plan.speed_ripple),
            "torque ripple times speed ripple, of unknown phase",
        )
    speed = abs(point.speed)
    found.limit("friction", abs(point.drag) * speed, "drag between flange and sensor, not corrected")
    found.limit("inertia", point.inertia * plan.speed_drift * speed, "inertia there, times the speed drift")
    if meter is not None:
        late = abs(electrical_delay(measured, meter))
        rate = speed * plan.torque_drift + abs(point.torque) * plan.speed_drift
        found.limit("delay", late * rate, "link power read later than the torque, times the drift")
    return found


def _loss_errors(measured: MeasuredBench, point: BenchPoint, plan: Uncertainty) -> Components:
    """Return the errors of the unit's losses."""
    found = Components("losses", "W")
    loss = point.powers[measured.unit] - measured.side * point.torque * point.speed
    found.limit(
        "single", 0.0 if plan.losses is None else plan.losses * abs(loss), "losses determined one by one"
    )
    if plan.supply_meter is not None and plan.split is not None:
        meter, supply = plan.supply_meter, point.supply
        share = abs(loss / supply) if supply else 0.0
        reading = share * meter.class_reading * abs(supply)
        found.limit("supply_reading", reading, "supply meter, share of the reading")
        found.limit(
            "supply_range", share * meter.class_range * meter.range, "supply meter, share of the range"
        )
        found.limit("split", plan.split * abs(loss), "the unit's share of all losses")
    return found


Formula = Callable[[dict[str, Any]], Any]


def _results(
    measured: MeasuredBench, point: BenchPoint, plan: Uncertainty, metered: Sequence[str]
) -> tuple[list[tuple[Output, Formula]], list[str]]:
    """Return the results that the bench can give, and why it cannot give the others."""
    unit, other, missing = measured.unit, measured.other, []
    motoring = measured.side * point.torque * point.speed > 0.0
    found: list[tuple[Output, Formula]] = [
        (Output("torque", "N m", "at the sensor"), lambda q: q["torque"]),
        (Output("speed", "rad/s", "mean over the window"), lambda q: q["speed"]),
        (
            Output("mechanical_power", "W", f"delivered by {unit} at its flange, read at the sensor"),
            lambda q: q["shaft"],
        ),
    ]
    if unit not in metered:
        missing.append(
            f'electrical power and efficiency of {unit}: no [[power_meter]] reads it (on = "{unit}")'
        )
    elif measured.beside:
        found.append(_drawn(unit))
        missing.append(_shared(f"efficiency and loss of {unit}", measured, measured.beside))
    else:
        found += _unit_results(unit, point, motoring, missing)
        if plan.losses is not None or plan.supply_meter is not None:
            found.append(
                (
                    Output("efficiency_from_losses", "1", "1 - losses/input"),
                    lambda q: 1.0 - q["loss"] / (q[unit] if motoring else -q["shaft"]),
                )
            )
        else:
            missing.append("efficiency from losses: state uncertainty.losses, or supply_meter and split")
    if other is not None and other in metered:
        word = "returned" if point.powers[other] < 0.0 else "drawn"
        found.append((Output("other_power", "W", f"drawn from the link by {other}"), lambda q: q[other]))
        if len(measured.beyond) > 1:
            missing.append(_shared(f"loss of {other}", measured, measured.beyond[1:]))
        else:
            found.append(
                (Output("other_loss", "W", f"of {other}, up to the sensor"), lambda q: q[other] + q["shaft"])
            )
        if unit in metered and len(measured.bench.bench.machines) == 2:
            found.append(
                (Output("supply_power", "W", "both together: all losses"), lambda q: q[unit] + q[other])
            )
            if word == "returned" and point.powers[unit] > 0.0:
                found.append(
                    (
                        Output("returned_share", "1", f"link power of {other} over {unit}"),
                        lambda q: -q[other] / q[unit],
                    )
                )
    elif other is not None:
        missing.append(f'returned power and loss of {other}: no [[power_meter]] reads it (on = "{other}")')
    return found, missing


def _drawn(unit: str) -> tuple[Output, Formula]:
    return Output("electrical_power", "W", f"drawn from the link by {unit}"), lambda q: q[unit]


def _shared(what: str, measured: MeasuredBench, machines: Sequence[str]) -> str:
    """Return why a result cannot be given where several machines are on one side of the sensor."""
    seen = f"{measured.sensor.name} sees what all machines on a side give together"
    return f"{what}: {seen}, {' and '.join(machines)} as well"


def _unit_results(
    unit: str, point: BenchPoint, motoring: bool, missing: list[str]
) -> list[tuple[Output, Formula]]:
    found: list[tuple[Output, Formula]] = [
        _drawn(unit),
        (Output("loss", "W", f"of {unit}, input less output"), lambda q: q[unit] - q["shaft"]),
    ]
    if (motoring and point.powers[unit] > 0.0) or (
        not motoring and point.torque and point.powers[unit] < 0.0
    ):
        found.append(
            (
                Output("efficiency", "1", "output over input"),
                lambda q: q["shaft"] / q[unit] if motoring else q[unit] / q["shaft"],
            )
        )
    else:
        missing.append("efficiency: the unit gives no power here, all of it goes into losses")
    return found


def _function(
    measured: MeasuredBench, point: BenchPoint, groups: Sequence[Components], formulas: Sequence[Formula]
) -> Callable[..., Any]:
    """Return results from errors."""
    side, unit, other = measured.side, measured.unit, measured.other
    ends = np.cumsum([len(group.inputs) for group in groups])
    names = [entry.name for group in groups for entry in group.inputs]
    loss = point.powers[unit] - side * point.torque * point.speed

    def function(*errors: Any) -> tuple[Any, ...]:
        totals = {
            group.quantity: sum(errors[end - len(group.inputs) : end], 0.0)
            for group, end in zip(groups, ends, strict=True)
        }
        known = dict(zip(names, errors, strict=True))
        torque, speed = point.torque + totals["torque"], point.speed + totals["speed"]
        shaft = side * torque * speed + totals["joint"]
        moved = side * (
            (point.torque + known.get("torque.drift", 0.0)) * (point.speed + known.get("speed.drift", 0.0))
            - point.torque * point.speed
        )
        q = {"torque": torque, "speed": speed, "shaft": shaft, "loss": loss + totals["losses"]}
        for name, sign in ((unit, 1.0), (other, -1.0)):
            if name is not None:
                q[name] = point.powers[name] + sign * moved + totals.get(f"power.{name}", 0.0)
        return tuple(formula(q) for formula in formulas)

    return function


def _correlations(
    inputs: Sequence[Input], plan: Uncertainty, metered: Sequence[str]
) -> dict[tuple[str, str], float]:
    names = {entry.name for entry in inputs}
    pairs: dict[tuple[str, str], float] = {}
    if plan.correlation:
        pairs |= {(f"torque.{what}", f"speed.{what}"): plan.correlation for what in ("ripple", "drift")}
    if plan.meter_correlation and len(metered) == 2:
        first, second = metered
        for what in ("class_reading", "class_range"):
            pairs[f"power.{first}.{what}", f"power.{second}.{what}"] = plan.meter_correlation
    return {pair: value for pair, value in pairs.items() if set(pair) <= names}


def _compare(found: Propagation) -> Comparison | None:
    names = {budget.name for budget in found.budgets}
    if not {"efficiency", "efficiency_from_losses"} <= names:
        return None
    direct, losses = found["efficiency"], found["efficiency_from_losses"]
    r_direct = direct.expanded / direct.value
    r_losses = losses.expanded / (1.0 - losses.value) if losses.value < 1.0 else math.inf
    crossover = 1.0 if math.isinf(r_losses) else r_losses / (r_direct + r_losses)
    return Comparison(direct.expanded, losses.expanded, crossover)
