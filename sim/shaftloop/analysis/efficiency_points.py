"""Operating points of a bench: torque, speed and the power of every machine in the steady state."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaftloop.analysis.cost import MapWork
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.errors import BenchError, ScenarioError
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import shown
from shaftloop.scenario.uncertainty import Point
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["BenchPoint", "MeasuredBench", "bench_point", "measured_bench", "read_point", "stated_points"]

_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class MeasuredBench:
    """A bench whose efficiency is to be measured."""

    description: Description
    bench: HyperMap
    unit: str
    """Machine under test: the stated one, else the leftmost."""
    other: str | None
    """The machine at the other end."""
    side: float
    """+1 where positive torque at the sensor times speed leaves the unit (left of it in a chain), else -1."""
    sensor: TorqueSensor
    beside: tuple[str, ...] = ()
    """Other machines on the unit's side of the sensor, which then does not see all that the unit gives."""
    beyond: tuple[str, ...] = ()
    """Machines on the other side."""


@dataclass(frozen=True)
class BenchPoint:
    """A steady state."""

    speed: float
    """Of the sensor. [rad/s]"""
    torque: float
    """True torque at the sensor, positive where power flows to the right at positive speed. [N m]"""
    powers: dict[str, float]
    """Drawn from the link by each machine. [W]"""
    drag: float
    """Between the flange of the unit and the sensor, as `fidelity` states it. [N m]"""
    inertia: float
    """Between the flange of the unit and the sensor, as `fidelity` states it. [kg m^2]"""

    @property
    def supply(self) -> float:
        """Power that the supply delivers: all losses [W]."""
        return sum(self.powers.values())


def measured_bench(description: Description) -> MeasuredBench:
    """Return a bench as an efficiency measurement sees it.

    Raises
    ------
    ScenarioError
        Where it has no torque sensor or no machine.
    """
    bench = HyperMap(description, MapWork({}), metered=True)
    sensor, machines = bench.bench.main_sensor(), list(bench.bench.machines)
    if sensor is None or not machines:
        message = "the line has no torque sensor, so there is no torque to be uncertain of; add one"
        raise BenchError(("line",), message)
    unit = description.unit or machines[0]
    tree, bodies = bench.bench.line.tree, {name: bench.bench.machines[name].body for name in machines}
    behind = tree.behind(sensor.spring)
    side = math.copysign(1.0, tree.lever(bodies[unit], sensor.spring))
    beyond = tuple(name for name, body in bodies.items() if (body in behind) != (bodies[unit] in behind))
    beside = tuple(name for name in machines if name != unit and name not in beyond)
    other = beyond[0] if beyond else None
    return MeasuredBench(description, bench, unit, other, side, sensor.parameters, beside, beyond)


def bench_point(
    measured: MeasuredBench, speed: float | None = None, torque: float | None = None
) -> BenchPoint:
    """Return the steady state at a point.

    Parameters
    ----------
    speed, torque : float, optional
        In place of those of the sequence. [rad/s], [N m]

    Raises
    ------
    SimulationError
        Where the bench cannot hold the point, naming the limit.
    BenchError
        Where the torque is beyond the rated torque of the sensor, for which its data do not hold.
    """
    bench = measured.bench
    pace = bench.bench.line.pace(measured.sensor.name)
    point = operating_point(bench.bench, None if speed is None else speed / pace, torque)
    rated = measured.sensor.rated
    if abs(point.torque) > rated * (1.0 + 1e-9):
        number = [part.name for part in measured.description.line].index(measured.sensor.name)
        raise BenchError(
            ("line", number, "rated"),
            f"operating point {point.speed * _RPM:.6g} rpm, {point.torque:.6g} N m: beyond the rated torque "
            f"of {measured.sensor.name}, {rated:g} N m, for which its accuracy does not hold; choose a lower "
            "torque, by `points` or in the scenario",
        )
    state = held_state(bench, point)
    after = bench.walk(state, np.array([bench.ticks]))[0]
    model = bench.bench.model
    meters = [model.meter_slot + machine.link_meter for machine in bench.bench.machines.values()]
    powers = [float(after[slot] - state[slot]) / bench.hyperperiod for slot in meters]
    handle = bench.bench.sensors[measured.sensor.name]
    row = model.plant.c[model.plant.rows[handle.true_torque]]
    # The residual of the inertia correction, which the level is for, is not asked for here.
    between = correction(replace(measured.description, unit=measured.unit), bench, point, 1e-3 * rated)
    body = bench.bench.line.places[measured.sensor.name].body
    return BenchPoint(
        float(state[bench.bench.line.nodes[body].speed.index]),
        float(row @ state[: len(row)]),
        dict(zip(bench.bench.machines, powers, strict=True)),
        between.drag_behind_flange,
        between.inertia_behind_flange,
    )


def stated_points(measured: MeasuredBench, texts: Sequence[str]) -> tuple[BenchPoint, ...]:
    """Return the points of the command line, else those of the scenario, else that of the sequence.

    Parameters
    ----------
    texts : sequence of str
        From the command line, e.g. ``"800 rpm, 90 N m"``.
    """
    plan = measured.description.uncertainty
    points = [read_point(text) for text in texts] or list(plan.points if plan else ())
    if not points:
        return (bench_point(measured),)
    return tuple(bench_point(measured, point.speed, point.torque) for point in points)


def read_point(text: str) -> Point:
    """Return a point given as text.

    Parameters
    ----------
    text : str
        Speed and torque with a comma between them.

    Raises
    ------
    ScenarioError
        Where it is none.
    """
    parts = text.split(",")
    if len(parts) != 2:
        raise ScenarioError([f'`points` {shown(text)}: write speed and torque, e.g. "800 rpm, 90 N m"'])
    try:
        speed, torque = (
            float(read_quantity(part, (unit,))[0]) for part, unit in zip(parts, ("rad/s", "N m"), strict=True)
        )
    except UnitError as error:
        raise ScenarioError([f"`points` {shown(text)}: {error}"]) from None
    if not speed > 0.0:
        raise ScenarioError(
            [f"`points` {shown(text)}: the speed must be above 0, as efficiency needs a power"]
        )
    return Point(speed, torque)
