"""In-line torque sensor: a measuring spring between two end inertias, and its signal path.

The *true torque* is ``k·twist`` of the measuring spring (what its strain shows). The signal path is

1. noise of stated density, added ahead of the low-pass;
2. the low-pass;
3. with `moving_average` the mean over that window, exact: an integrator that each sample resets;
4. at each sample hysteresis, a play operator behind which the value lags: on the way back from a far
   excursion the reading stays `hysteresis`·rated above that on the way there, the loop opens over half
   the rated torque after a reversal [2]_;
5. ``y = zero + (1 + gain_error)·v + c·v·(1 − (v/rated)²)``, with the last summand scaled so that its
   largest deviation inside the rated range is `nonlinearity`·rated; `repeatability` adds to the zero one
   normal value a run, drawn from its seed;
6. range clamp and quantiser (half to even);
7. latency to the controller.

Neglected: strain from bending and axial load, temperature drift of zero and gain, creep, crosstalk from
speed. Hysteresis and nonlinearity are applied after the low-pass, which is exact for slow torques and
differs at second order for fast ones; the measuring section itself is elastic, so hysteresis takes no
energy.

References
----------
.. [1] Full-bridge shaft strain gauge: E. O. Doebelin, Measurement Systems, example 5-5 (check E2.3).
.. [2] Play operator: M. A. Krasnosel'skii, A. V. Pokrovskii, Systems with Hysteresis, 1989, from memory. One
   operator with a quarter of the rated torque as its reach: common practice, no source.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.accuracy import Accuracy
from shaftloop_models.lateral import Lateral, Rotor
from shaftloop_models.line import Element, Inertia
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi, damped_spring
from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.material import MATERIALS
from shaftloop_models.network import ONE, Network, Ref
from shaftloop_models.parameters import Delay, Number, ParameterError, Quantity
from shaftloop_models.part import Sensor, Stands, part_kind

__all__ = [
    "TorqueSensor",
    "declare_signal_path",
    "hysteresis_play",
    "noise_path",
    "nonlinearity_coefficient",
]

_MOST_AVERAGED = 10_000
"""Most samples of a moving average."""

_CUBIC_PEAK = 2.0 / (3.0 * 3.0**0.5)
"""Largest value of r − r³ on 0 ≤ r ≤ 1."""


@part_kind
@dataclass(frozen=True)
class TorqueSensor(Sensor):
    """Parameters of a torque sensor."""

    signal = "torque"

    part: Literal["torque_sensor"]
    name: str
    rated: Annotated[float, Quantity("N m", "rated torque", gt=0.0)]
    stiffness: Annotated[float, Quantity("N m/rad", "stiffness of the measuring section", gt=0.0)]
    sampling: Annotated[Fraction, Quantity("Hz", "rate of the samples", gt=0.0)]
    limit: Annotated[float | None, Quantity("N m", "limit torque, beyond which it is damaged", gt=0.0)] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None
    damping: Annotated[float | None, Quantity("N m s/rad", "viscous damping", ge=0.0)] = None
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia left of the measuring section", ge=0.0)] = 0.0
    inertia_right: Annotated[float, Quantity("kg m^2", "inertia right of it", ge=0.0)] = 0.0
    filter: LowPass | None = None
    phase: Annotated[Fraction, Quantity("s", "first sample", ge=0.0)] = Fraction(0)
    latency: Annotated[
        Delay, Quantity("s", "from the sample to the controller", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    gain_error: Annotated[float, Quantity("1", "relative error of the gain", gt=-1.0, lt=1.0)] = 0.0
    zero: Annotated[float, Quantity("N m", "reading without torque")] = 0.0
    nonlinearity: Annotated[
        float, Quantity("1", "largest deviation from the line, relative to rated", gt=-0.2, lt=0.2)
    ] = 0.0
    hysteresis: Annotated[
        float,
        Quantity(
            "1",
            "reading on the way back minus on the way there, relative to rated, largest in a cycle to rated",
            ge=0.0,
            lt=0.1,
        ),
    ] = 0.0
    repeatability: Annotated[
        float,
        Quantity("1", "standard deviation of the zero from run to run, relative to rated", ge=0.0, lt=0.1),
    ] = 0.0
    moving_average: Annotated[
        Delay | None,
        Quantity("s", "window of the mean that is read; whole samples", gt=0.0, also=("sample",)),
    ] = None
    noise_density: Annotated[
        float, Quantity("N m/rtHz", "one-sided density of the noise ahead of the low-pass", ge=0.0)
    ] = 0.0
    range: Annotated[float | None, Quantity("N m", "largest reading, either sign", gt=0.0)] = None
    resolution: Annotated[float, Quantity("N m", "quantiser step; 0 switches it off", ge=0.0)] = 0.0
    free_running: Annotated[bool, Number("its clock is not synchronised: analyses sweep its phase")] = False
    bits: Annotated[int | None, Number("bits of the quantiser over twice the range", ge=4, le=32)] = None
    accuracy: Accuracy | None = None
    lateral: Lateral | None = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        spring = damped_spring(self.stiffness, self.damping, self.loss_factor_psi, self.loss_band)
        return [Inertia(self.inertia_left), spring, Inertia(self.inertia_right)]

    def rotor(self, beside: tuple[float | None, float | None]) -> Rotor | None:
        """Return what of it bends between its ends.

        Parameters
        ----------
        beside : tuple of (float or None, float or None)
            Radial stiffness with which the parts left and right of it carry it. [N/m]
        """
        if self.lateral is None:
            return None
        return self.lateral.rotor((self.lateral.own_section(MATERIALS["steel"].youngs_modulus),), beside)

    def check(self) -> None:
        """Check quantiser, moving average, what bends, and that something bounds the noise."""
        self.elements()
        self.rotor((None, None))
        self.quantiser_step()
        self.averaged_samples()
        if self.filter is None:
            declare_signal_path(Network(), self, ONE)

    def warnings(self) -> list[tuple[tuple[str, ...], str]]:
        """Return what is allowed but looks wrong: a low-pass that lets torque fold."""
        half = float(self.sampling) / 2.0
        if self.filter is None or self.filter.cutoff <= half:
            return []
        words = (
            f"{self.filter.cutoff:g} Hz is above half the sampling rate ({half:g} Hz), so faster torque "
            "folds back into the reading; lower it or sample faster"
        )
        return [(("filter", "cutoff"), words)]

    def quantiser_step(self) -> float:
        """Return the quantiser step, 0 where there is none [N m].

        Raises
        ------
        ParameterError
            Where both `bits` and `resolution` are given, or `bits` without `range`.
        """
        if self.bits is None:
            return self.resolution
        if self.resolution:
            raise ParameterError(
                "bits", f"give either bits ({self.bits}) or resolution ({self.resolution:g} N m), not both"
            )
        if self.range is None:
            raise ParameterError("bits", f"{self.bits} bits need a range: the step is 2*range/2**bits")
        return 2.0 * self.range / 2.0**self.bits

    def averaged_samples(self) -> int:
        """Return over how many sampling periods the reading is averaged, 0 where it is not averaged.

        Raises
        ------
        ParameterError
            Where the window is no whole number of samples, or too long.
        """
        if self.moving_average is None:
            return 0
        samples = self.moving_average.seconds(1 / self.sampling) * self.sampling
        if samples.denominator != 1 or not 1 <= samples <= _MOST_AVERAGED:
            near = min(max(round(samples), 1), _MOST_AVERAGED)
            raise ParameterError(
                "moving_average",
                f"{float(samples / self.sampling):g} s are {float(samples):g} samples at "
                f"{float(self.sampling):g} Hz; allowed: a whole number from 1 to {_MOST_AVERAGED}, e.g. "
                f'"{float(near / self.sampling) * 1e3:.10g} ms"',
            )
        return int(samples)


def hysteresis_play(sensor: TorqueSensor) -> tuple[float, float]:
    """Return how far the play operator lags [N m] and what share of the lag is added to the value [1]."""
    return 0.25 * sensor.rated, 2.0 * sensor.hysteresis


def nonlinearity_coefficient(sensor: TorqueSensor) -> float:
    """Return c of ``c·v·(1 − (v/rated)²)`` [1]."""
    return sensor.nonlinearity / _CUBIC_PEAK


def declare_signal_path(net: Network, sensor: TorqueSensor, true_torque: Ref) -> tuple[Ref, list[Ref]]:
    """Add low-pass and integrator, and return what the sampler sees and the states in order.

    The integrator of a moving average collects the mean since the last sample, which takes it away.

    Parameters
    ----------
    true_torque : Ref
        Signal: elastic torque of the measuring spring. [N m]

    Raises
    ------
    ParameterError
        Where there is noise but nothing to bound it, or the moving average is no whole number of samples.
    """
    f, g, out = _path(sensor)
    if not len(g):
        if sensor.noise_density:
            raise ParameterError(
                "noise_density",
                f"{sensor.noise_density:g} N m/rtHz needs a filter: unfiltered white noise has no bound",
            )
        return true_torque, []
    low_passes = len(g) - (1 if sensor.averaged_samples() else 0)
    names = [f"filter{i + 1}" if i < low_passes else "mean" for i in range(len(g))]
    states = [net.state(f"{sensor.name}.{name}", "N m") for name in names]
    for i, target in enumerate(states):
        for j, source in enumerate(states):
            if f[i, j]:
                net.derivative(target, source, float(f[i, j]))
        if g[i]:
            net.derivative(target, true_torque, float(g[i]))
    return states[out], states


def noise_path(sensor: TorqueSensor) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return F (n, n) and g (n,) of ``x' = F·x + g·u`` from noise u to the signal path's states [1/s]."""
    f, g, _ = _path(sensor)
    return f, g


def _path(sensor: TorqueSensor) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return F, g and the index of the state that the sampler sees."""
    f, g, out = np.zeros((0, 0)), np.zeros(0), -1
    if sensor.filter is not None:
        f, g, out = state_space(sensor.filter)
    if not sensor.averaged_samples():
        return f, g, out
    n, rate = len(g), float(sensor.sampling)
    extended = np.zeros((n + 1, n + 1))
    extended[:n, :n] = f
    if n:
        extended[n, out] = rate
    return extended, np.append(g, 0.0 if n else rate), n
