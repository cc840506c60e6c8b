"""What parallel and angular offset of the shafts do at a coupling: torque of order 1 and 2, bending load.

The offset makes the right hub lead and lag by the *transmission error* ``ε(θ) = ε1·sin(θ + α) +
ε2·sin 2(θ + α)``, θ being the angle of the left hub. The spring of the coupling carries

::

    T = k·(φ + ε(θ) − ε(0)) + branches of relative damping          φ twist between the hubs
    torque of the right hub   +T
    torque of the left hub    −T·(1 + dε/dθ)

and stores ½k·(φ + ε − ε(0))²: the torque of the left hub is its derivative, so that the energy closes. The
factor 1 + dε/dθ is what makes torque fluctuate under load even where the line is soft. The bench is assembled
without preload at angle 0. A viscous damper acts between the hubs.

- **Angular offset β**: one universal joint, ``tan θ2 = cos β·tan θ1``, whose series is
  ``θ2 − θ1 = −t·sin 2θ1 + t²/2·sin 4θ1 − ...`` with ``t = tan²(β/2)``; so ε2 = t. The summand of order 4 is
  left out (below 0.4 % of t up to 10 degrees). An upper bound: couplings with three and more links per side
  come closer to constant speed.
- **Parallel offset e**: driving elements (pins, bolts, links) on a pitch circle of radius r move tangentially
  by e·sin θ each. With equal stiffness all round that adds up to nothing; where one carries more than the
  others it leaves ε1 = s·e/r, with the *uneven share* ``s = |Σ kᵢ·exp(jθᵢ)|/Σ kᵢ``: 0 for a perfectly even
  coupling, 1 for a single element.
- **Bending load** (`shaftloop_models.coupling.misalignment_load`), fixed in space, so that a strain gauge on
  the turning shaft sees it once per turn: the moment ``k_β·β + T·sin β`` at the coupling and the radial force
  ``k_r·e``. Numbers, no dynamics.

Neglected: bending and axial vibration of the line, crosstalk from bending load to the reading of a torque
sensor, friction in the joints, order 2 from parallel offset (second order in e/r).

References
----------
.. [1] Universal joint: ω2/ω1 between cos β and 1/cos β twice per turn, at equal power; any textbook of
   mechanisms. The series and the shares: derived here, and tested.
.. [2] C. B. Gibbons, "Coupling misalignment forces", Proc. 5th Turbomachinery Symposium (1976) 111-116, for
   moment and force of a flexing coupling. From memory.
"""

import math

from shaftloop_models.compiled import equation
from shaftloop_models.harmonics import cosine
from shaftloop_models.line import Spring, TransmissionError
from shaftloop_models.network import Network, Node, Ref, TermKind
from shaftloop_models.parameters import ParameterError

__all__ = ["declare_transmission_error", "error_slope", "transmission_error"]


def transmission_error(
    parallel_offset: float,
    angular_offset: float,
    pitch_diameter: float | None,
    uneven_share: float,
    phase: float,
) -> TransmissionError | None:
    """Return the transmission error of a coupling, or nothing where it has no offset.

    Parameters
    ----------
    parallel_offset : float
        Distance between the axes. [m]
    angular_offset : float
        Angle between the axes. [rad]
    pitch_diameter : float, optional
        Pitch circle of the driving elements. [m]
    uneven_share : float
        How unevenly they share the torque. [1]
    phase : float
        [rad]

    Raises
    ------
    ParameterError
        Where a parallel offset lacks the pitch diameter, or is out of proportion to it.
    """
    first, share = 0.0, uneven_share if parallel_offset else 0.0
    if share:
        if pitch_diameter is None:
            raise ParameterError(
                "pitch_diameter",
                f"missing: a parallel offset of {parallel_offset:g} m needs the pitch circle of the elements "
                'that drive, e.g. pitch_diameter = "80 mm", or uneven_share = 0 where they share evenly',
            )
        if parallel_offset > 0.1 * pitch_diameter:
            raise ParameterError(
                "parallel_offset",
                f"{parallel_offset:g} m; allowed: up to a tenth of the pitch diameter {pitch_diameter:g} m; "
                "align the shafts",
            )
        first = share * parallel_offset / (0.5 * pitch_diameter)
    second = math.tan(0.5 * angular_offset) ** 2
    return TransmissionError(first, second, phase) if first or second else None


@equation
def error_slope(angle: float, first: float, second: float, phase: float) -> float:
    """Return dε/dθ [1].

    Parameters
    ----------
    angle : float
        Of the left hub. [rad]
    first, second : float
        Amplitudes of the transmission error. [rad]
    phase : float
        [rad]
    """
    once = cosine(angle + phase)
    return first * once + 2.0 * second * (2.0 * once * once - 1.0)


def declare_transmission_error(
    net: Network,
    part: str,
    spring: Spring,
    ends: tuple[Node, tuple[Ref, ...]],
    carried: tuple[Ref, list[Ref]],
    max_speed: float,
) -> tuple[Ref, Ref]:
    """Add the transmission error of a spring and return (error [rad], extra torque of the left hub [N m]).

    Parameters
    ----------
    part : str
        Name of the coupling.
    ends : tuple
        The left hub and its angle: the line's angle, then the twists that are subtracted from it.
    carried : tuple
        Twist of the spring, and the forces of its Maxwell branches in order.
    max_speed : float
        Largest speed, for the step rule. [rad/s]
    """
    error = net.state(f"{part}.error", "rad")
    (left, angle), (twist, forces), wave = ends, carried, spring.error
    assert wave is not None, "only for a spring with a transmission error"
    order = float(wave.order)
    rate, reaction = net.term(
        TermKind.MISALIGNMENT,
        [left.speed, angle[0], twist, error, *forces, *angle[1:]],
        [
            spring.stiffness,
            order * wave.first,
            order * wave.second,
            wave.phase,
            float(len(forces)),
            order,
        ],
        [f"{part}.error_rate", f"{part}.reaction"],
        slope=2.0 * order * max_speed,
    )
    net.derivative(error, rate, 1.0)
    for force, branch in zip(forces, spring.branches, strict=True):
        net.derivative(force, rate, branch.stiffness)
    net.torque(left, reaction, -1.0)
    return error, reaction
