"""The components of uncertainty of torque, speed and electrical power at an operating point.

Every component is an error that adds to its quantity. Limits of a data sheet become rectangular
distributions, certificates normal ones; what averages over the window is divided accordingly:

- taken from the fidelity analysis: noise and its mean over the window; rounding; size and folded frequency of
  a ripple in the reading; the delay of the reading; drag and inertia between flange and sensor;
- the mean of a sine of amplitude A and frequency f is off by at most A/(π·f·τ) where the window τ is no whole
  number of periods; its phase is not known: arcsine;
- a drift of rate r moves the quantity by ±r·τ/2 inside the window;
- a window cuts the way of an encoder at two edges, each of them known within one edge: triangular.

The rounding of a quantiser averages out only where noise moves the signal by more than a step; without that
it stays. A hysteresis of width h leaves ±h/2. The nonlinearity counts with its limit: its shape over the
torque is not known, while a run and the fidelity analysis take it as cubic.
"""

import math
from dataclasses import dataclass, field

from shaftloop.analysis.efficiency_points import MeasuredBench
from shaftloop.analysis.fidelity.correction import nearest_encoder
from shaftloop.analysis.fidelity.forced import folded
from shaftloop.analysis.fidelity.signalpath import amplitude_share, mean_noise, noise, slow_delay
from shaftloop.analysis.uncertainty.distributions import (
    ArcSine,
    Distribution,
    Normal,
    Rectangular,
    Triangular,
)
from shaftloop.analysis.uncertainty.model import Input
from shaftloop.scenario.uncertainty import Uncertainty
from shaftloop_models.accuracy import Accuracy
from shaftloop_models.encoder import Encoder, edge_angle
from shaftloop_models.power_meter import PowerMeter, meter_delay
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = [
    "Components",
    "electrical_delay",
    "find_encoder",
    "meter_components",
    "speed_components",
    "torque_components",
]


@dataclass
class Components:
    """Errors that add to one quantity."""

    quantity: str
    unit: str
    inputs: list[Input] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    """Effects without data, in words."""

    def limit(self, name: str, half_width: float | None, meaning: str) -> None:
        """Add a rectangular component, or note that there are no data.

        Parameters
        ----------
        name : str
            Of the effect.
        half_width : float or None
            [unit]; 0 adds nothing, None says that nothing is known.
        meaning : str
            In words.
        """
        if half_width is None:
            self.left_out.append(f"{self.quantity}: {meaning}")
        elif half_width > 0.0:
            self.add(name, Rectangular(0.0, half_width), meaning)

    def add(self, name: str, shape: Distribution, meaning: str, dof: float | None = None) -> None:
        """Add a component.

        Parameters
        ----------
        name : str
            Of the effect.
        shape : Distribution
            [unit]
        meaning : str
            In words.
        dof : float, optional
            Degrees of freedom of its uncertainty. [1]
        """
        self.inputs.append(Input(f"{self.quantity}.{name}", shape, self.unit, dof, meaning))


def torque_components(sensor: TorqueSensor, torque: float, speed: float, plan: Uncertainty) -> Components:
    """Return the errors of a torque reading.

    Parameters
    ----------
    torque : float
        [N m]
    speed : float
        [rad/s]
    """
    found = Components("torque", "N m")
    size, rated = abs(torque), sensor.rated
    found.limit("gain", abs(sensor.gain_error) * size, "error of the gain as stated for the sensor")
    found.limit("zero", abs(sensor.zero), "error of the zero as stated for the sensor")
    found.limit("nonlinearity", abs(sensor.nonlinearity) * rated, "deviation from the straight line")
    found.limit("hysteresis", 0.5 * sensor.hysteresis * rated, "half the width of the hysteresis")
    _accuracy(found, sensor, size, plan)
    spread = mean_noise(sensor, plan.window)
    if spread:
        found.add("noise", Normal(0.0, spread), "noise of the sensor, averaged over the window")
    _quantiser(found, sensor, plan)
    frequency = _ripple_frequency(speed, plan)
    shown = plan.torque_ripple * amplitude_share(sensor, frequency)
    # Sampling shows it at its folded frequency, which the window may not average out.
    _wandering(found, shown, folded(frequency, float(sensor.sampling)), plan.torque_drift, plan)
    return found


def speed_components(encoder: Encoder | None, speed: float, plan: Uncertainty) -> Components:
    """Return the errors of a mean speed.

    Parameters
    ----------
    encoder : Encoder or None
        Parameters.
    speed : float
        [rad/s]
    """
    found = Components("speed", "rad/s")
    if encoder is None:
        found.left_out.append("speed: reading of the speed (no encoder turns with the sensor)")
    elif encoder.method == "timing":
        step = abs(speed) / (encoder.clock_rate() * plan.window)
        found.add("clock_step", Triangular(-step, step, 0.0), "step of the clock at both ends of the window")
    else:
        step = edge_angle(encoder.lines) / plan.window
        found.add("edges", Triangular(-step, step, 0.0), "counted edges at both ends of the window")
    if encoder is not None and encoder.turn_error:
        # Two independent places in the turn: the difference of two sines of unknown phase.
        spread = encoder.turn_error / plan.window
        found.add("graduation", Normal(0.0, spread), "graduation error once per turn, at both ends")
    clock = None if plan.clock_error is None else plan.clock_error * abs(speed)
    found.limit("time_base", clock, "clock behind the speed (clock_error)")
    _wandering(found, plan.speed_ripple, _ripple_frequency(speed, plan), plan.speed_drift, plan)
    return found


def meter_components(meter: PowerMeter, power: float) -> Components:
    """Return the errors of an electrical power.

    Parameters
    ----------
    power : float
        [W]
    """
    found = Components(f"power.{meter.on}", "W")
    size = abs(power)
    found.limit("class_reading", meter.class_reading * size, "limit of error, share of the reading")
    found.limit("class_range", meter.class_range * meter.range, "limit of error, share of the range")
    found.limit("gain", abs(meter.gain_error) * size, "error of the gain as stated for the meter")
    found.limit("zero", abs(meter.zero), "error of the zero as stated for the meter")
    found.limit("resolution", 0.5 * meter.resolution, "step of the quantiser")
    if not found.inputs:
        found.left_out.append(f"power of {meter.on}: all errors of {meter.name} (no class is stated)")
    return found


def find_encoder(measured: MeasuredBench) -> Encoder | None:
    """Return the encoder on the shaft of the sensor that stands nearest to the unit under test."""
    bench = measured.bench.bench
    spring = bench.sensors[measured.sensor.name].spring
    return nearest_encoder(measured.description, bench, bench.machines[measured.unit].body, spring)


def electrical_delay(measured: MeasuredBench, meter: PowerMeter) -> float:
    """Return by how much the electrical reading is later than that of the torque [s]."""
    return meter_delay(meter) - slow_delay(measured.sensor)


def _accuracy(found: Components, sensor: TorqueSensor, size: float, plan: Uncertainty) -> None:
    """Add what data sheet and certificate say."""
    data, rated = sensor.accuracy or Accuracy(), sensor.rated
    if data.calibration is None:
        found.left_out.append("torque: calibration (accuracy.calibration)")
    elif size:
        spread = data.calibration * size / data.calibration_factor
        found.add("calibration", Normal(0.0, spread), "calibration, of the certificate")
    if sensor.repeatability:
        spread = sensor.repeatability * rated
        found.add("repeatability", Normal(0.0, spread), "from run to run", data.repeatability_dof)
    for key, per_kelvin, base in (
        ("temperature_zero", data.temperature_zero, rated),
        ("temperature_gain", data.temperature_gain, size),
    ):
        words = f"temperature, {key.removeprefix('temperature_')}"
        if per_kelvin is None or not plan.temperature:
            missing = f"accuracy.{key}" if per_kelvin is None else "uncertainty.temperature"
            found.left_out.append(f"torque: {words} ({missing})")
        else:
            found.limit(key, per_kelvin * plan.temperature * base, words)
    for key, share, base in (
        ("long_term", data.long_term, size),
        ("parasitic", data.parasitic, rated),
    ):
        words = {"long_term": "change between calibrations", "parasitic": "bending and axial load"}[key]
        if share is None:
            found.left_out.append(f"torque: {words} (accuracy.{key})")
        else:
            found.limit(key, share * base, words)


def _quantiser(found: Components, sensor: TorqueSensor, plan: Uncertainty) -> None:
    single = noise(sensor)
    if single.quantiser_step and single.analogue > single.quantiser_step:
        samples = max(1.0, plan.window * float(sensor.sampling))
        spread = single.quantiser / math.sqrt(samples)
        found.add("quantiser", Normal(0.0, spread), "rounding, averaged over the window")
    else:
        found.limit("quantiser", 0.5 * single.quantiser_step, "rounding; too little noise to average it out")


def _ripple_frequency(speed: float, plan: Uncertainty) -> float:
    """Return the frequency of the stated ripple, 0 without one [Hz]."""
    return (plan.ripple_order or 0.0) * abs(speed) / (2.0 * math.pi)


def _wandering(found: Components, ripple: float, frequency: float, drift: float, plan: Uncertainty) -> None:
    """Add what the operating point itself does inside the window."""
    if ripple:
        periods = frequency * plan.window
        left = ripple * min(1.0, 1.0 / (math.pi * periods)) if periods else ripple
        found.add("ripple", ArcSine(0.0, left), "ripple that the window does not average out")
    found.limit("drift", 0.5 * drift * plan.window, "drift inside the window")
