"""Inertia and drag between the unit under test and the measuring section, and what their correction leaves.

The true torque lacks what accelerates the bodies between the air gap of the unit and the measuring section,
and what brakes them: ``T_true = T_airgap − J·dω/dt − T_drag``. The usual correction adds both back,
``T = reading + Ĵ·dω̂/dt + T̂_drag``, with the speed from an encoder, differentiated over a window W:
``dω̂/dt = (θ(t) − 2·θ(t − W) + θ(t − 2W))/W²``. Three independent roundings of the angle, each of rms
step/√12, leave ``step/(√2·W²)``; the step is an edge, or with timed edges what turns past in a tick of the
clock. The result belongs to the instant t − W, while the reading has a delay of its own; and Ĵ is never
exact.

References
----------
.. [1] Inertia correction of a shaft torque: common practice, no source; check E13.3 for the bias.
"""

import math
from dataclasses import dataclass
from typing import cast

from shaftloop.analysis.drags import Drags
from shaftloop.analysis.fidelity.signalpath import slow_delay
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.bench.handles import Bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description, Ramp
from shaftloop_models.encoder import Encoder, edge_angle

__all__ = [
    "Correction",
    "acceleration_noise",
    "angle_step",
    "correction",
    "largest_acceleration",
    "nearest_encoder",
    "window_for",
]

_MOST_PERIODS = 100_000


@dataclass(frozen=True)
class Correction:
    """Bias of the reading against the torque of the unit, and what is left of it when corrected."""

    unit: str
    inertia: float
    """From the air gap of the unit to the measuring section, its rotor included; all that is said here is as
    the shaft of the sensor has it. [kg m^2]"""
    inertia_behind_flange: float
    """Without the rotor: from the flange of the unit to the measuring section. [kg m^2]"""
    drag: float
    """Drag between air gap and measuring section at the operating speed, iron loss included. [N m]"""
    drag_behind_flange: float
    """Without that of the unit itself. [N m]"""
    acceleration: float
    """At which the bias is stated. [rad/s^2]"""
    encoder: str | None
    """Whose speed is differentiated; None where the shaft of the sensor has no encoder."""
    window: float | None
    """Of the differentiation. [s]"""
    window_noise: float | None
    """Rms of the corrected torque from rounding to edges. [N m]"""
    single_period_noise: float | None
    """The same with the shortest window, one period of the encoder. [N m]"""
    inertia_error: float
    """Relative uncertainty of the inertia that the correction uses. [1]"""
    mismatch: float | None
    """By how much the acceleration is later than the reading. [s]"""

    @property
    def inertia_bias(self) -> float:
        """Reading minus air-gap torque under the acceleration, from the inertia alone [N m]."""
        return 0.0 - self.inertia * self.acceleration

    @property
    def inertia_residual(self) -> float:
        """What the uncertainty of the inertia leaves under the acceleration [N m]."""
        return self.inertia_error * self.inertia * abs(self.acceleration)

    @property
    def residual(self) -> float | None:
        """Rms of rounding and inertia error together, under constant acceleration [N m]."""
        return None if self.window_noise is None else math.hypot(self.window_noise, self.inertia_residual)


def correction(
    description: Description,
    bench: HyperMap,
    point: OperatingPoint,
    level: float,
    inertia_error: float = 0.02,
    window: float | None = None,
) -> Correction:
    """Return the bias of the reading against the unit, and the residual of the usual correction.

    Speed is differentiated over a window [s], rounded to whole periods of the encoder, at least one; where
    none is stated, rounding to edges leaves less than `level` (rms) [N m]. `inertia_error` is relative. [1]

    Raises
    ------
    ScenarioError
        Where the window is shorter than a period of the encoder or the inertia error is out of range.
    """
    if not 0.0 <= inertia_error <= 1.0:
        raise ScenarioError([f"`inertia_error`: {inertia_error:g} is outside 0 to 1; e.g. 0.02 for 2 %"])
    model = bench.bench
    unit, sensor = description.unit, model.main_sensor()
    assert unit is not None and sensor is not None, "checked by fidelity"
    machine = model.machines[unit]
    levers = between(model, machine.body, sensor.spring)
    pace = model.line.pace(sensor.name)
    seen = {body: lever * model.line.nodes[body].pace / pace for body, lever in levers.items()}
    inertia = sum(model.line.nodes[body].inertia * factor for body, factor in seen.items())
    drags = Drags(model, bench.run, levers, levers).torques(point.speed)
    drag = sum(drags.values())
    own = sum(torque for meter, torque in drags.items() if meter.startswith(f"{unit}."))
    acceleration = largest_acceleration(model) * pace
    part = nearest_encoder(description, model, machine.body, sensor.spring)
    noises: tuple[float | None, float | None] = (None, None)
    mismatch, chosen = None, None
    if part is not None:
        period = float(1 / part.sampling)
        if window is not None and window < period:
            raise ScenarioError(
                [f"`window`: {window:g} s is shorter than a period of {part.name}, {period:g} s; raise it"]
            )
        quantum = angle_step(part, point.speed * pace)
        chosen = (
            window_for(quantum, inertia, level, period) if window is None else round(window / period) * period
        )
        noises = (
            inertia * acceleration_noise(quantum, chosen),
            inertia * acceleration_noise(quantum, period),
        )
        late = chosen + float(part.latency.seconds(1 / part.sampling))
        mismatch = late - slow_delay(sensor.parameters)
    return Correction(
        unit,
        inertia,
        inertia - machine.parameters.inertia * seen[machine.body],
        drag,
        drag - own,
        acceleration,
        part.name if part else None,
        chosen,
        *noises,
        inertia_error,
        mismatch,
    )


def angle_step(encoder: Encoder, speed: float) -> float:
    """Return the step in which an encoder knows the angle [rad]: an edge, or what passes in a clock tick."""
    clock = encoder.clock_rate()
    edge = edge_angle(encoder.lines)
    return min(abs(speed) / clock, edge) if clock and speed else edge


def acceleration_noise(step: float, window: float) -> float:
    """Return the rms [rad/s^2] of an angle in steps [rad] that is differentiated twice over a window [s]."""
    return step / (math.sqrt(2.0) * window**2)


def window_for(step: float, inertia: float, level: float, period: float) -> float:
    """Return the shortest window, in whole periods, whose torque noise stays below a level [s].

    Angle in steps [rad], inertia [kg m^2], level as rms [N m], period of the encoder [s].
    """
    least = math.sqrt(inertia * step / (math.sqrt(2.0) * level))
    return min(max(math.ceil(least / period - 1e-9), 1), _MOST_PERIODS) * period


def largest_acceleration(bench: Bench) -> float:
    """Return the steepest speed ramp of the sequence at the leftmost body, 0 without one [rad/s^2]."""
    now = {name: 0.0 for name, loop in bench.loops.items() if loop.quantity == "speed"}
    steepest = 0.0
    for step in bench.description.sequence:
        if not hasattr(step, "loop") or step.loop not in now or not hasattr(step, "to"):
            continue
        if isinstance(step, Ramp):
            pace = bench.line.pace(bench.loops[step.loop].source)
            slope = (step.to - now[step.loop]) / float(step.over) / pace
            steepest = max(steepest, slope, key=abs)
        now[step.loop] = step.to
    return steepest


def between(bench: Bench, body: int, spring: int) -> dict[int, float]:
    """Return the bodies from a machine's to a sensor's spring, with the torque there per torque on each.

    Branches off that way which hold no machine count too.
    """
    tree = bench.line.tree
    found = set(tree.between(body, spring))
    machines = [machine.body for machine in bench.machines.values()]
    for number, joint in enumerate(tree.joints):
        behind = tree.behind(number)
        if joint.left in found - {body} and not behind & {*found, *machines, *tree.joints[spring].rights}:
            found |= behind
    return {body: abs(tree.lever(body, spring)) for body in sorted(found)}


def nearest_encoder(description: Description, bench: Bench, body: int, spring: int) -> Encoder | None:
    """Return the encoder on the body nearest to another, of those on the shaft of a sensor's spring."""
    line = bench.line
    found = [
        cast(Encoder, part)
        for part in description.readers("speed")
        if line.shafts[line.places[part.name].body] == line.shafts[line.edges[spring].left]
    ]
    return min(found, key=lambda part: line.tree.apart(line.places[part.name].body, body), default=None)
