"""Incremental encoder: speed from the edges counted over the sampling period.

With N lines per revolution and four edges per line the count over one period T of speed ω is
``n = floor(α·4N/2π)``, α the angle turned since the last counted edge. The speed reported is
``2π·n/(4N·T)``: quantum ``2π/(4N·T)``, lag T/2 behind the true speed (checks E8.1 to E8.3).

Neglected: edge jitter, one-per-turn error, interpolation of sine signals.

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
from shaftloop_models.parameters import Delay, Number, Quantity

__all__ = ["EDGES_PER_LINE", "Encoder", "counting_lag", "declare_angle", "edge_angle", "speed_quantum"]

EDGES_PER_LINE = 4


@dataclass(frozen=True)
class Encoder:
    """Parameters of an encoder, mounted on the body it stands beside in the line."""

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

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        return [Inertia(self.inertia)]


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


def counting_lag(acceleration: float, period: float) -> float:
    """Return the mean error of counted speed under constant acceleration: half a period late [rad/s].

    Parameters
    ----------
    acceleration : float
        [rad/s^2]
    period : float
        Counting period. [s]
    """
    return -0.5 * acceleration * period


def declare_angle(net: Network, encoder: Encoder, node: Node) -> Ref:
    """Add the angle turned since the last counted edge and return it [rad].

    The sampling task takes the counted angle away, so the state stays below one period's turn plus
    one edge and never wraps.

    Parameters
    ----------
    net : Network
        Equations to extend.
    encoder : Encoder
        Parameters.
    node : Node
        Body that the encoder turns with.
    """
    angle = net.state(f"{encoder.name}.angle", "rad")
    net.derivative(angle, node.speed, 1.0)
    return angle
