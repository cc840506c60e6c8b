"""Parameters of loops, filters and bus hops, as the scenario states them."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.parameters import Clock, Delay, Gain, Number, Quantity
from shaftloop_models.supply import SUPPLY

__all__ = [
    "UNIT_OF",
    "ActiveDamping",
    "DisturbanceObserver",
    "Filter",
    "Hop",
    "LeadLag",
    "Loop",
    "Notch",
    "PathModel",
    "Predictor",
    "ReadingLowPass",
]

UNIT_OF = {"torque": "N m", "speed": "rad/s", "voltage": "V", "position": "rad"}
"""Unit of what a loop controls."""
_GAIN = ("N m s/rad", "W/V", "N m/rad", "1/s")
_INTEGRAL = ("N m/rad", "W/(V s)", "N m/(rad s)", "1/s^2")
_DERIVATIVE = ("N m s^2/rad", "W s/V", "N m s/rad", "1")
_SPEED_GAIN = ("rad/(N m s)",)


@dataclass(frozen=True)
class ReadingLowPass:
    """A sampled low-pass of first or second order (Butterworth) on the reading."""

    kind: Literal["low_pass"]
    cutoff: Annotated[float, Quantity("Hz", "frequency of -3 dB", gt=0.0)]
    order: Annotated[int, Number("1 or 2", ge=1, le=2)] = 1


@dataclass(frozen=True)
class Notch:
    """A sampled notch on the reading."""

    kind: Literal["notch"]
    frequency: Annotated[float, Quantity("Hz", "centre", gt=0.0)]
    damping: Annotated[
        float, Number("damping ratio of the poles: half the relative width", gt=0.0, le=2.0)
    ] = 0.5
    depth: Annotated[float, Number("gain left at the centre", ge=0.0, lt=1.0)] = 0.0


@dataclass(frozen=True)
class LeadLag:
    """A sampled first-order lead or lag, gain 1 at standstill."""

    kind: Literal["lead_lag"]
    zero: Annotated[float, Quantity("Hz", "corner of the numerator", gt=0.0)]
    pole: Annotated[float, Quantity("Hz", "corner of the denominator", gt=0.0)]


Filter = ReadingLowPass | Notch | LeadLag


@dataclass(frozen=True)
class ActiveDamping:
    """Torque against the difference of two speeds, which damps the torsion between them.

    A machine right of both speeds gets gain·(left − right), one left of both the opposite: like a damper
    between the two places of which only one end is there.
    """

    gain: Annotated[float, Quantity("N m s/rad", "torque per difference of the speeds", ge=0.0)]
    left: Annotated[str, Number("machine, encoder or bus hop of one: speed nearer to the left end")]
    right: Annotated[str, Number("machine, encoder or bus hop of one: speed nearer to the right end")]
    cutoff: Annotated[
        float | None, Quantity("Hz", "high-pass of the difference; none where left out", gt=0.0)
    ] = None


@dataclass(frozen=True)
class PathModel:
    """What a controller believes about the way from its command to its reading.

    A gain, a first-order lag and a pure delay. The zero-order hold of the command is not part of the delay.
    """

    model_gain: Annotated[
        Gain, Quantity("1", "change of the reading per N m of command, at rest", gt=0.0, also=_SPEED_GAIN)
    ]
    time_constant: Annotated[float, Quantity("s", "time constant of the lag", ge=0.0)]
    delay: Annotated[
        Delay, Quantity("s", "pure delay from the tick to the reading", ge=0.0, also=("sample",))
    ]


@dataclass(frozen=True)
class Predictor(PathModel):
    """Smith predictor: the controller sees what the reading would be without the delay of the path."""


@dataclass(frozen=True)
class DisturbanceObserver(PathModel):
    """Estimates the torque that disturbs the command, and takes it away from the command."""

    cutoff: Annotated[float, Quantity("Hz", "cutoff of the estimate, first order", gt=0.0)]


@dataclass(frozen=True)
class Loop:
    """A sampled PI or PID controller with what may be built around it.

    It controls a torque where it reads a torque sensor, a speed where it reads a machine (ideal
    feedback) or an encoder, each directly or through bus hops, and the voltage of the DC link where it
    reads and acts on a two-way supply. With ``controls = "position"`` it controls the angle that an encoder
    has counted: by the torque of its machine (with `damping` a virtual spring and damper), or `through` a
    speed loop.
    """

    name: str
    acts_on: Annotated[str, Number("machine whose torque it commands, or supply")]
    reads: Annotated[
        str, Number("torque sensor, machine, encoder, supply, or bus hop that carries one of them")
    ]
    rate: Annotated[Fraction, Quantity("Hz", "rate of the controller", gt=0.0)]
    kp: Annotated[Gain, Quantity("1", "proportional gain", ge=0.0, also=_GAIN)]
    ki: Annotated[Gain, Quantity("1/s", "integral gain", ge=0.0, also=_INTEGRAL)]
    clamp: Annotated[float, Quantity("N m", "largest command, either sign", gt=0.0, also=("W", "rad/s"))]
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    output_latency: Annotated[
        Delay, Quantity("s", "from the tick to the moment the command is active", ge=0.0, also=("sample",))
    ] = Delay(Fraction(1), in_samples=True)
    anti_windup: Annotated[
        Literal["back_calculation", "conditional"], Number("what the integrator does at the clamp")
    ] = "back_calculation"
    feedforward: Annotated[
        float, Number("share of a torque set-point passed straight on", ge=0.0, le=2.0)
    ] = 0.0
    setpoint_rate: Annotated[
        float | None, Quantity("N m/s", "largest rate of the set-point", gt=0.0, also=("rad/s", "rad/s^2"))
    ] = None
    filters: tuple[Filter, ...] = ()
    kd: Annotated[Gain, Quantity("s", "derivative gain", ge=0.0, also=_DERIVATIVE)] = Gain(0.0, "s")
    derivative_cutoff: Annotated[
        float | None, Quantity("Hz", "low-pass of the derivative, needed with kd", gt=0.0)
    ] = None
    derivative_of: Annotated[
        Literal["reading", "error"], Number("what is derived; the reading spares steps a kick")
    ] = "reading"
    setpoint_filter: Annotated[
        float | None, Quantity("Hz", "first-order low-pass of the set-point; none where left out", gt=0.0)
    ] = None
    active_damping: ActiveDamping | None = None
    disturbance_observer: DisturbanceObserver | None = None
    predictor: Predictor | None = None
    free_running: Annotated[bool, Number("its clock is not synchronised: analyses sweep its phase")] = False
    controls: Annotated[
        Literal["position"] | None,
        Number("position: the angle that an encoder counts; else what it reads says it"),
    ] = None
    through: Annotated[
        str | None, Number("speed loop on the same machine whose set-point a position loop commands")
    ] = None
    damping: Annotated[
        float, Quantity("N m s/rad", "torque of a position loop against the speed of its encoder", ge=0.0)
    ] = 0.0
    limiter_of: Annotated[str | None, Number("loop on the same machine that this speed loop limits")] = None
    limit_speed: Annotated[
        float | None, Quantity("rad/s", "speed a limiter keeps, either direction", gt=0.0)
    ] = None

    @property
    def unit(self) -> str:
        """Unit of its command."""
        return "W" if self.acts_on == SUPPLY else "rad/s" if self.through else "N m"

    def timing(self) -> Clock:
        """Return when the controller is due, and how late its command is there."""
        period, keys = 1 / self.rate, ("rate", "phase", "output_latency")
        latency = self.output_latency.seconds(period)
        return Clock(period, self.phase, latency, keys, free_running=self.free_running)


@dataclass(frozen=True)
class Hop:
    """A bus that takes a value at its own instants and delivers it later."""

    name: str
    carries: Annotated[str, Number("torque sensor, encoder, machine, loop or another hop")]
    period: Annotated[Fraction, Quantity("s", "time between two transfers", gt=0.0)]
    phase: Annotated[Fraction, Quantity("s", "first transfer", ge=0.0)] = Fraction(0)
    transport: Annotated[
        Delay, Quantity("s", "from the transfer to the receiver", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    free_running: Annotated[bool, Number("its clock is not synchronised: analyses sweep its phase")] = False

    def timing(self) -> Clock:
        """Return when it takes a value, and how late that arrives."""
        latency, keys = self.transport.seconds(self.period), ("period", "phase", "transport")
        return Clock(self.period, self.phase, latency, keys, free_running=self.free_running)
