"""Incremental encoder: speed from edges that are counted, or timed with a clock.

With N lines per revolution and four edges per line the count over one period T of speed ω is
``n = floor(α·4N/2π)``, α the angle turned since the last counted edge. The speed reported is
``2π·n/(4N·T)``: quantum ``2π/(4N·T)``, lag T/2 behind the true speed (checks E8.1 to E8.3).

With ``method = "timing"`` the instant of the last edge of each period is taken with a clock, and the speed
is the angle between the last edges of two periods over the time between them: resolution
``ω/(clock·time)`` instead of the quantum above. Without a new edge the last speed is kept, but never above
one edge in the time without one; before two edges are timed it is 0. The instant is found on the parabola
through the angles of two samples and the speed at the second, exact at constant acceleration.

`turn_error` is an error of the graduation once per turn (eccentric mounting, ``e/r`` of the disc): the
angle that is read is ``θ + turn_error·sin(θ + turn_phase)``, so the speed read swings by turn_error·ω.

Neglected: edge jitter and unequal edges, interpolation of sine signals; edges passed and passed back within
one period.

References
----------
.. [1] Definition of counting (M method): check E8.3.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import Network, Node, Ref
from shaftloop_models.parameters import Delay, Number, ParameterError, Quantity
from shaftloop_models.part import Sensor, Stands, part_kind

__all__ = [
    "EDGES_PER_LINE",
    "Encoder",
    "declare_angle",
    "edge_angle",
    "speed_quantum",
    "timing_resolution",
]

EDGES_PER_LINE = 4


@part_kind
@dataclass(frozen=True)
class Encoder(Sensor):
    """Parameters of an encoder, mounted on the body it stands beside in the line."""

    signal = "speed"

    part: Literal["encoder"]
    name: str
    lines: Annotated[int, Number("lines per revolution; four edges each are counted", ge=1, le=10_000_000)]
    sampling: Annotated[Fraction, Quantity("Hz", "rate at which edges are counted", gt=0.0)]
    phase: Annotated[Fraction, Quantity("s", "first sample", ge=0.0)] = Fraction(0)
    latency: Annotated[
        Delay, Quantity("s", "from the sample to the controller", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    free_running: Annotated[bool, Number("its clock is not synchronised: analyses sweep its phase")] = False
    inertia: Annotated[float, Quantity("kg m^2", "inertia of the disc", ge=0.0)] = 0.0
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None
    method: Annotated[Literal["counting", "timing"], Number("edges per period, or time between edges")] = (
        "counting"
    )
    clock: Annotated[
        float | None, Quantity("Hz", "clock that times the edges, with the method timing", gt=0.0)
    ] = None
    turn_error: Annotated[
        float, Quantity("rad", "amplitude of the angle error once per turn", ge=0.0, lt=0.1)
    ] = 0.0
    turn_phase: Annotated[
        float, Quantity("rad", "phase of that error at the start of the run", ge=-6.3, le=6.3)
    ] = 0.0

    @property
    def counts(self) -> bool:  # type: ignore[override]
        """Whether it counts its edges rather than timing them."""
        return self.method == "counting"

    def stands(self) -> Stands:
        """Return its largest speed."""
        return Stands(max_speed=self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        return [Inertia(self.inertia)]

    def check(self) -> None:
        """Check that the method fits the clock."""
        self.clock_rate()

    def clock_rate(self) -> float:
        """Return the rate of the clock that times the edges, 0 where they are counted [Hz].

        Raises
        ------
        ParameterError
            Where timing has no clock, or counting has one.
        """
        if self.method == "timing" and self.clock is None:
            raise ParameterError("clock", 'timing needs the rate of its clock; add e.g. clock = "10 MHz"')
        if self.method == "counting" and self.clock is not None:
            raise ParameterError(
                "clock", f'{self.clock:g} Hz has no use in counting; add method = "timing" or leave it out'
            )
        return self.clock or 0.0


def edge_angle(lines: int) -> float:
    """Return the angle between two edges [rad].

    Parameters
    ----------
    lines : int
        Lines per revolution.
    """
    return 2.0 * math.pi / (EDGES_PER_LINE * lines)


def speed_quantum(counts_per_revolution: int, period: float) -> float:
    """Return the smallest speed step of counting [rad/s].

    Parameters
    ----------
    counts_per_revolution : int
        Edges per revolution.
    period : float
        Counting period. [s]
    """
    return 2.0 * math.pi / (counts_per_revolution * period)


def timing_resolution(speed: float, clock: float, time: float) -> float:
    """Return the smallest step of a speed from timed edges [rad/s].

    Parameters
    ----------
    speed : float
        [rad/s]
    clock : float
        Rate of the clock. [Hz]
    time : float
        Between the two edges that are timed. [s]
    """
    return abs(speed) / (clock * time)


def declare_angle(net: Network, encoder: Encoder, node: Node) -> Ref:
    """Add the angle turned since the last counted edge and return it [rad].

    The sampling task takes the counted angle away, so the state stays below one period's turn plus
    one edge and never wraps.

    Parameters
    ----------
    node : Node
        Body that the encoder turns with.
    """
    angle = net.state(f"{encoder.name}.angle", "rad")
    net.derivative(angle, node.speed, 1.0)
    return angle
