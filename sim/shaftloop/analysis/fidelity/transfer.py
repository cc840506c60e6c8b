"""From the air-gap torque of the unit under test to the reading: what is lost where.

The *mechanical* part is the true torque per air-gap torque of the unit (its own reaction included), with
the commands of all loops held; it is relative to the *share*, the part of a slow torque that reaches the
measuring section: inertia beyond it over the whole inertia. The *signal path* is the reading per true torque,
relative to its slope for slow torques. Both come from the derivatives of the stepper (`ForcedBench`), as the
margins do.

The commands are held because a closed torque loop fights slow torques of the unit until nothing is left to
measure, which is no error of the reading; the signal path is the same either way. What the closed bench makes
of a torque at the air gap, `Fidelity.closed` knows: lines of ripple in the reading come from there.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.bands import Band, find_bands
from shaftloop.analysis.fidelity.forced import ForcedBench, Responses
from shaftloop.analysis.fidelity.pulse import (
    Chain,
    PulseCurve,
    capture,
    filter_chain,
    line_chain,
    pulse_curve,
    width_for,
)
from shaftloop.analysis.fidelity.signalpath import (
    Noise,
    averaging_window,
    noise,
    rise_time,
    slow_delay,
    static_error,
)
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import OperatingPoint, operating_point
from shaftloop.analysis.tangent import term_slopes
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.torque_sensor import BenchTorqueSensor
from shaftloop.errors import BenchError, SimulationError
from shaftloop.scenario.description import Description
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["PULSE_ERRORS", "Fidelity", "check_bench", "fidelity"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ORDINARY = 300
_AROUND = np.concatenate([[0.0], np.geomspace(0.1, 20.0, 9)])
"""Distances from a pole, in units of its half-width, at which the grid has points."""
_BELOW = 1e-4
"""Lowest frequency of the grid over that of the first mode or cutoff."""
_NOTHING = 1e-9
"""Share of a slow torque that is none but for rounding."""
_QUASI_STATIC = 0.1
"""Part of the first mode's frequency below which a mechanical reference is looked for."""
PULSE_ERRORS = (0.01, 0.05, 0.1)
"""Shares of a peak that may be missing, for which the shortest pulse is stated."""


@dataclass(frozen=True)
class Fidelity:
    """Reading against truth at an operating point."""

    description: Description
    bench: HyperMap
    state: Array
    """Steady state, shape (slots,)."""
    point: OperatingPoint
    unit: str
    sensor: TorqueSensor
    share: float
    """Part of a slow air-gap torque of the unit that reaches the measuring section. [1]"""
    sign: float
    """+1 where the unit stands left of the sensor, so that its air-gap torque is positive true torque."""
    held: ForcedBench
    closed: ForcedBench | None
    """All loops closed; None where the bench is unstable."""
    responses: Responses
    """Commands held, on the grid."""
    mechanical: Complex
    """True torque per air-gap torque over the share, shape (n,). [1]"""
    low_pass: Complex
    """Behind the low-pass over true torque, shape (n,). [1]"""
    signal: Complex
    """Reading when it arrives over true torque, relative to slow torques, shape (n,). [1]"""
    static_slope: float
    """Slope of the reading over slow true torques at the operating point. [1]"""
    static_error: float
    """Reading minus true torque at the operating point, without rounding. [N m]"""
    bands: dict[str, tuple[Band, ...]]
    """Of ``mechanical``, ``signal`` and ``total``, by rising level."""
    noise: Noise
    rise_time: float
    """From 10 to 90 %, of low-pass and moving average. [s]"""
    path: Chain
    """Low-pass and moving average."""
    line: Chain
    """From the air gap to the true torque over the share."""

    @cached_property
    def pulse(self) -> PulseCurve:
        """Peaks of short pulses, over widths around the time scale of the signal path."""
        period = 1.0 / self.sampling
        return pulse_curve(self.line, self.path, period, max(period, 0.5 * self.path.slowest))

    @cached_property
    def pulse_widths(self) -> dict[float, float | None]:
        """By error: the shortest pulse whose peak the samples show within it, at any phase [s]."""
        curve = self.pulse

        def exact(width: float) -> float:
            return capture(self.path, width, 1.0 / self.sampling)[1]

        return {error: width_for(error, curve.width, curve.sampled, exact) for error in PULSE_ERRORS}

    @property
    def frequency(self) -> Array:
        """The grid [Hz]."""
        return self.responses.frequency

    def turning(self, part: str) -> float:
        """Return the speed of a part at the operating point [rad/s]."""
        return self.point.speed * self.bench.bench.line.pace(part)

    @property
    def total(self) -> Complex:
        """Reading per air-gap torque over the share and the slope, shape (n,) [1]."""
        return np.asarray(self.mechanical * self.signal)

    @property
    def sampling(self) -> float:
        """Rate of the sensor [Hz]."""
        return float(self.sensor.sampling)

    @property
    def rise_limit(self) -> float:
        """Fastest rise that samples can show: that of the low-pass, at least one period [s]."""
        return max(self.rise_time, 1.0 / self.sampling)

    def closed_at(self, frequency: Array) -> Complex | None:
        """Return the reading per torque put at the air gap, over share and slope, all loops closed [1]."""
        if self.closed is None:
            return None
        reading = self.closed.respond(frequency).reading
        return np.asarray(reading / (self.sign * self.share * self.static_slope))

    @property
    def delay(self) -> float:
        """How late the reading of a slowly changing torque is [s]."""
        return slow_delay(self.sensor)

    def signal_at(self, frequency: float) -> complex:
        """Return the signal path at one frequency [Hz], relative to slow torques [1]."""
        return complex(_signal(self.held.respond(np.array([frequency])), self.static_slope)[0])

    def mechanical_at(self, frequency: float) -> complex:
        """Return the mechanical part at one frequency [Hz], relative to the share [1]."""
        found = _mechanical(self.held.respond(np.array([frequency])), self.sign * self.share)
        return complex(found[0])


def fidelity(description: Description, speed: float | None = None, torque: float | None = None) -> Fidelity:
    """Return how the reading follows the air-gap torque of the unit under test.

    At an operating point as in `operating_point`, speed [rad/s] and torque [N m].

    Raises
    ------
    ScenarioError
        Where the scenario names no unit or has no torque sensor.
    SimulationError
        Where the bench cannot hold the operating point.
    """
    unit, sensor = check_bench(description)
    bench = HyperMap(description)
    point = operating_point(bench.bench, speed, torque)
    state = held_state(bench, point)
    handle = bench.bench.sensors[sensor]
    share, sign = _share(bench.bench, unit, handle)
    stable = spectral_radius(bench.dynamics(state)) < 1.0
    held = ForcedBench(bench, state, unit, sensor, held=True)
    responses = held.respond(_grid(held, handle.parameters))
    slope = float(abs(responses.reading[0] / responses.seen[0]))
    part, line = handle.parameters, mechanics(bench.bench, term_slopes(bench, state))
    modes = find_modes(line)
    mechanical = _mechanical(responses, sign * share)
    signal = _signal(responses, slope)
    first = modes[0].frequency if modes else 0.5 * float(part.sampling)
    window = averaging_window(part)
    path = filter_chain(part.filter, window)
    shaft = line_chain(line, unit, sign * share, 1.5 / first)
    return Fidelity(
        description=description,
        bench=bench,
        state=state,
        point=point,
        unit=unit,
        sensor=part,
        share=share,
        sign=sign,
        held=held,
        closed=ForcedBench(bench, state, unit, sensor, held=False) if stable else None,
        responses=responses,
        mechanical=mechanical,
        low_pass=responses.seen / responses.true,
        signal=signal,
        static_slope=slope,
        static_error=static_error(part, point.torque),
        bands=_bands(held, responses.frequency, mechanical, signal, first, sign * share, slope),
        noise=noise(part),
        rise_time=rise_time(part.filter, window),
        path=path,
        line=shaft,
    )


def check_bench(description: Description) -> tuple[str, str]:
    """Return the unit under test and the torque sensor.

    Raises
    ------
    ScenarioError
        Where the scenario names no unit or has no torque sensor.
    """
    if description.unit is None:
        choice = " or ".join(f'unit = "{machine.name}"' for machine in description.machines())
        raise BenchError(("unit",), f"the scenario does not say which machine is under test; add {choice}")
    sensors = [part.name for part in description.readers("torque")]
    if not sensors:
        message = 'no torque sensor, so there is no reading; add a [[line]] with part = "torque_sensor"'
        raise BenchError(("line",), message)
    read = {description.origin(loop.reads) for loop in description.loop if loop.limiter_of is None}
    main = next((name for name in sensors if name in read), sensors[0])
    return description.unit, main


def _share(bench: Bench, unit: str, sensor: BenchTorqueSensor) -> tuple[float, float]:
    """Return the share of a slow torque that reaches the sensor, and the sign it arrives with."""
    inertias = [node.inertia for node in bench.line.nodes]
    share = float(bench.line.tree.handed(inertias, bench.machines[unit].body)[sensor.spring])
    if abs(share) > _NOTHING:
        return abs(share), math.copysign(1.0, share)
    name = sensor.parameters.name
    raise SimulationError(
        f"{name} sees nothing of a slow torque of {unit}: {bench.line.held} takes it, on the other side",
        f"put {name} between {unit} and {bench.line.held}",
    )


def _grid(held: ForcedBench, sensor: TorqueSensor) -> Array:
    """Return frequencies up to the rate of the sensor, dense around every pole of the plant [Hz]."""
    poles = np.linalg.eigvals(held.a)
    poles = poles[(poles.imag > 0.0) & (np.abs(poles.real) < 0.5 * poles.imag)]
    centre, width = poles.imag / (2.0 * np.pi), np.abs(poles.real) / (2.0 * np.pi)
    highest = float(sensor.sampling)
    corner = min([*centre, sensor.filter.cutoff if sensor.filter else 0.5 * highest])
    lowest = _BELOW * corner
    spread = np.maximum(width, 1e-6 * centre)
    points = [np.geomspace(lowest, highest, _ORDINARY)]
    points += [centre + side * step * spread for step in _AROUND for side in (1.0, -1.0)]
    every = np.unique(np.concatenate(points))
    return np.asarray(every[(every >= lowest) & (every <= highest)])


def _mechanical(responses: Responses, share: float) -> Complex:
    return np.asarray(responses.true / responses.air_gap / share)


def _signal(responses: Responses, slope: float) -> Complex:
    return np.asarray(responses.reading / responses.true / slope)


def _bands(
    held: ForcedBench,
    frequency: Array,
    mechanical: Complex,
    signal: Complex,
    first: float,
    share: float,
    slope: float,
) -> dict[str, tuple[Band, ...]]:
    """Return the bands of the parts and of both together.

    The mechanical reference lies between what drag does to slow torques and the first mode.
    """
    quiet = np.flatnonzero(frequency < _QUASI_STATIC * first)
    near = np.abs(np.abs(mechanical[quiet]) - 1.0)
    calm = int(quiet[np.argmin(near)]) if len(quiet) else 0

    def one(f: float) -> Responses:
        return held.respond(np.array([f]))

    def both(f: float) -> float:
        found = one(f)
        return float(abs(_mechanical(found, share) * _signal(found, slope))[0])

    sizes = {"mechanical": np.abs(mechanical), "signal": np.abs(signal)}
    sizes["total"] = sizes["mechanical"] * sizes["signal"]
    return {
        "mechanical": find_bands(
            frequency, sizes["mechanical"], calm, lambda f: float(abs(_mechanical(one(f), share))[0])
        ),
        "signal": find_bands(frequency, sizes["signal"], 0, lambda f: float(abs(_signal(one(f), slope))[0])),
        "total": find_bands(frequency, sizes["total"], calm, both),
    }
