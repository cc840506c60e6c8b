"""Which torque sensor serves: rated torque, limit, range, uncertainty, low-pass and sampling of candidates.

A candidate takes the place of the sensor in the line. Where no peak is stated, the sequence is run with it in
place, because its stiffness and inertia move the modes of the line and with them the peaks.

The low-pass must show the frequencies of interest within a tolerance. Sampling at fs folds a torque at fs − f
onto f; what the low-pass leaves of it must stay within the same tolerance of its true size.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from shaftloop.analysis.efficiency_inputs import torque_components
from shaftloop.analysis.fidelity.signalpath import amplitude_share
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import check_runs, simulate
from shaftloop.analysis.uncertainty.model import Measurement, Output
from shaftloop.analysis.uncertainty.propagation import Budget, propagate
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import BenchError, ScenarioError, ShaftloopError
from shaftloop.scenario.derive import validate
from shaftloop.scenario.description import Description
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.scenario.source import label_of, load_toml
from shaftloop.scenario.uncertainty import Point, Uncertainty
from shaftloop_models.parameters import ParameterError
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["JudgedSensor", "SensorDemand", "SensorOption", "choose", "find_candidates"]

_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class SensorDemand:
    """What a sensor must do."""

    points: tuple[Point, ...]
    """Steady points to be measured; that of the sequence where there is none."""
    uncertainty: float | None = None
    """Largest expanded uncertainty, relative to the reading. [1]"""
    peak: float | None = None
    """Largest torque of the line; from a run of the sequence where left out. [N m]"""
    bandwidth: float | None = None
    """Highest frequency of interest. [Hz]"""
    tolerance: float = 0.05
    """Largest error of an amplitude up to there. [1]"""


@dataclass(frozen=True)
class SensorOption:
    """A sensor that might serve."""

    file: str
    sensor: TorqueSensor


@dataclass(frozen=True)
class JudgedSensor:
    """A candidate and why it fails."""

    candidate: SensorOption
    uncertainty: float | None
    """Largest expanded uncertainty over all points, relative to the reading; nothing without torque or
    without any stated error. [1]"""
    main_component: str
    """What contributes most to it."""
    peak: float | None
    """Largest torque of the line with it in place; nothing where the run failed. [N m]"""
    share: float | None
    """Size of the reading at the highest frequency of interest over the true size. [1]"""
    folded: float | None
    """What is left of a torque that sampling folds onto that frequency, over its true size. [1]"""
    reasons: tuple[str, ...]
    """Why it fails; empty where it serves."""
    left_out: tuple[str, ...]
    """Effects without data: the uncertainty may be larger."""
    asked: bool
    """Whether an uncertainty is asked for."""
    lacks: tuple[str, ...] = ()
    """Those of them that not all candidates lack: its uncertainty does not compare with that of others."""

    @property
    def serves(self) -> bool | None:
        """Whether it meets every demand; None where it may, as no uncertainty is asked for."""
        return False if self.reasons else True if self.asked else None


def choose(
    description: Description, candidates: Sequence[SensorOption], demand: SensorDemand
) -> tuple[JudgedSensor, ...]:
    """Judge every candidate: first those that do not fail, of them those without gaps, then the most certain.

    A sensor of which little is stated has a small budget for that reason alone. What all candidates lack,
    such as a temperature of the bench, is no gap. They take the place of the torque sensor of the bench.

    Raises
    ------
    ScenarioError
        Where the line has no torque sensor.
    """
    bench = build_bench(description, smooth=True)
    sensor = bench.main_sensor()
    if sensor is None:
        message = "the line has no torque sensor whose place a candidate could take; add one"
        raise BenchError(("line",), message)
    points = demand.points
    if not points:
        held = operating_point(bench)
        points = (Point(held.speed, held.torque),)
    asked = replace(demand, points=points)
    check_runs(description, len(candidates))
    judged = [_judge(description, sensor.parameters.name, entry, asked) for entry in candidates]
    shared = set.intersection(*({_effect(text) for text in entry.left_out} for entry in judged))
    marked = [
        replace(entry, lacks=tuple(text for text in entry.left_out if _effect(text) not in shared))
        for entry in judged
    ]
    return tuple(sorted(marked, key=lambda e: (e.serves is False, bool(e.lacks), e.uncertainty or math.inf)))


def _effect(left_out: str) -> str:
    """Return the effect without the key that would state it."""
    return left_out.partition(" (")[0]


def find_candidates(files: Sequence[Path], name: str) -> tuple[SensorOption, ...]:
    """Read the torque sensors among part files, the shipped ones where there are none, as one in the line.

    Other parts are passed over; raises ScenarioError where a file states no sound sensor, or none of them is
    one.
    """
    chosen = list(files) or sorted((shipped_folder() / "parts").glob("*.toml"))
    found, messages = [], []
    for path in chosen:
        label = label_of(path)
        source = load_toml(path, label)
        if source.document.get("part") != "torque_sensor":
            continue
        sensor, errors = validate(TorqueSensor, source.document | {"name": name})
        for where, message in errors:
            place = ".".join(str(key) for key in where)
            messages.append(f"{label}:{source.locator.line(where)}: {place}: {message}")
        if sensor is not None:
            found.append(SensorOption(path.stem, sensor))
    if messages:
        raise ScenarioError(messages)
    if not found:
        raise ScenarioError(['none of the files is a torque sensor; name files with part = "torque_sensor"'])
    return tuple(found)


def _judge(
    description: Description, name: str, candidate: SensorOption, demand: SensorDemand
) -> JudgedSensor:
    sensor, reasons = candidate.sensor, []
    plan = description.uncertainty or Uncertainty()
    budgets = []
    left_out: dict[str, None] = {}
    for point in demand.points:
        budget, missing = _budget(sensor, point, plan)
        left_out |= dict.fromkeys(missing)
        budgets.append(budget)
        reasons += _at_point(sensor, point, budget, demand)
    peak = demand.peak
    if peak is None:
        peak, trouble = _peak(description, name, sensor)
        reasons += [trouble] if trouble else []
    if peak is not None:
        reasons += _overload(sensor, peak)
    share = folded = None
    if demand.bandwidth is not None:
        share = amplitude_share(sensor, demand.bandwidth)
        folded = amplitude_share(sensor, abs(float(sensor.sampling) - demand.bandwidth))
        reasons += _dynamics(sensor, demand.bandwidth, demand.tolerance, share, folded)
    relative = [entry.relative for entry in budgets if entry.relative is not None and entry.contributions]
    worst = max(budgets, key=lambda budget: budget.relative or 0.0)
    parts = worst.contributions
    return JudgedSensor(
        candidate,
        max(relative, default=None),
        parts[0].name.removeprefix("torque.") if parts else "none",
        peak,
        share,
        folded,
        tuple(dict.fromkeys(reasons)),
        tuple(left_out),
        demand.uncertainty is not None,
    )


def _budget(sensor: TorqueSensor, point: Point, plan: Uncertainty) -> tuple[Budget, list[str]]:
    found = torque_components(sensor, point.torque, point.speed, plan)
    measurement = Measurement(
        lambda *errors: sum(errors, point.torque), found.inputs, [Output("torque", "N m")]
    )
    return propagate(measurement, plan.coverage).budgets[0], found.left_out


def _at_point(sensor: TorqueSensor, point: Point, budget: Budget, demand: SensorDemand) -> list[str]:
    where = f"at {point.speed * _RPM:.5g} rpm, {point.torque:.5g} N m"
    if abs(point.torque) > sensor.rated:
        return [f"rated torque {sensor.rated:g} N m is below the {abs(point.torque):.5g} N m to be measured"]
    if demand.uncertainty is not None and not budget.contributions:
        return ["no error of it is stated, so nothing says how certain it is"]
    if demand.uncertainty is not None and (budget.relative or 0.0) > demand.uncertainty:
        return [
            f"uncertain by {100.0 * (budget.relative or 0.0):.2g} % {where}, allowed "
            f"{100.0 * demand.uncertainty:.2g} %"
        ]
    return []


def _peak(description: Description, name: str, sensor: TorqueSensor) -> tuple[float | None, str]:
    """Return the peak of the sequence with a sensor in place, or why there is none."""
    line = tuple(sensor if part.name == name else part for part in description.line)
    try:
        return metrics(simulate(replace(description, line=line, duty=None)))["peak_true_torque"].value, ""
    except (ShaftloopError, ParameterError) as error:
        return None, f"the sequence cannot be run with it: {str(error).splitlines()[0]}"


def _overload(sensor: TorqueSensor, peak: float) -> list[str]:
    found = []
    limit = sensor.rated if sensor.limit is None else sensor.limit
    if peak > limit:
        word = "rated torque (no limit torque is stated)" if sensor.limit is None else "limit torque"
        found.append(f"peak {peak:.4g} N m is above its {word} {limit:g} N m")
    if sensor.range is not None and peak > sensor.range:
        found.append(f"peak {peak:.4g} N m is cut off at its range of {sensor.range:g} N m")
    return found


def _dynamics(
    sensor: TorqueSensor, frequency: float, tolerance: float, share: float, folded: float
) -> list[str]:
    rate = float(sensor.sampling)
    if rate < 2.0 * frequency:
        return [f"sampling at {rate:g} Hz shows nothing above {0.5 * rate:g} Hz, asked for {frequency:g} Hz"]
    found = []
    if abs(share - 1.0) > tolerance:
        found.append(
            f"shows {100.0 * share:.3g} % of a torque at {frequency:g} Hz, "
            f"allowed 100 ± {100.0 * tolerance:g} %: a higher cutoff is needed"
        )
    if folded > tolerance:
        found.append(
            f"{100.0 * folded:.2g} % of a torque at {rate - frequency:g} Hz shows at {frequency:g} Hz, "
            f"allowed {100.0 * tolerance:g} %: faster sampling or a lower cutoff is needed"
        )
    return found
