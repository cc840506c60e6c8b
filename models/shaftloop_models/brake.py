"""A brake as a passive load: it turns what it takes into heat, and returns nothing.

The excitation e, a torque, follows the command after a lag; the torque against the motion is

::

    eddy_current     e·2/(ω/ωk + ωk/ω)          largest, e, at the critical speed ωk; none at rest [1]_
    hysteresis       e·(1 + a·|ω|/ωm)·tanh(ω/ωs)     hardly depends on speed; a > 0 where currents add
    friction         the same, a < 0 where its lining fades with speed

ωm largest speed, ωs smoothing. `drag` is what it takes without excitation. The excitation draws `idle_loss`.

Neglected: heating of rotor and lining, and what it does to the torque (10 to 30 %, common practice, no
source); remanence beyond `drag`; how current makes the excitation; cogging of a hysteresis brake whose
excitation changes at rest; lining that sticks at rest. A brake does not drive: a command that would is taken
as 0.

References
----------
.. [1] J. H. Wouterse, "Critical torque and speed of eddy current brake with widely separated soft iron
   poles", IEE Proceedings B 138 (1991) 153-158. From memory.
.. [2] Torque of hysteresis and friction brakes that hardly depends on speed: common practice, no source.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, Literal

from shaftloop_models.compiled import equation
from shaftloop_models.drag import Drag, smooth_sign
from shaftloop_models.inverter import idle_powers
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import Network, Node, OwnKind, Ref
from shaftloop_models.parameters import Clock, Delay, Number, ParameterError, Quantity
from shaftloop_models.part import Machine, part_kind

__all__ = ["Brake", "BrakePorts", "declare_brake", "eddy_share"]


@equation
def eddy_share(speed: float, critical: float) -> float:
    """Return the torque of an eddy-current brake over its largest, with the sign of the speed [1].

    Parameters
    ----------
    speed, critical : float
        Of the rotor, and that of the largest torque. [rad/s]
    """
    s = speed / critical
    return 2.0 * s / (1.0 + s * s)


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: speed, excitation; p: critical speed or 0, smoothing, slope over speed; y: torque."""
    if p[0] > 0.0:
        y[0] = x[1] * eddy_share(x[0], p[0])
    else:
        y[0] = x[1] * (1.0 + p[2] * abs(x[0])) * smooth_sign(x[0] / p[1])


_BRAKE = OwnKind("brake", _evaluate, "raise its smoothing or critical speed, or the inertia of its body")


@part_kind
@dataclass(frozen=True)
class Brake(Machine):
    """Parameters of a brake."""

    absent = {"heat": "how hot a brake gets is not modelled; hold loss_energy against its data sheet"}  # noqa: RUF012
    part: Literal["machine"]
    model: Literal["brake"]
    name: str
    law: Annotated[Literal["eddy_current", "hysteresis", "friction"], Number("what makes its torque")]
    inertia: Annotated[float, Quantity("kg m^2", "moment of inertia of the rotor", gt=0.0)]
    max_torque: Annotated[float, Quantity("N m", "largest torque, at the critical speed", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "largest speed", gt=0.0)]
    time_constant: Annotated[float, Quantity("s", "lag of the excitation", gt=0.0)]
    rate: Annotated[Fraction, Quantity("Hz", "rate at which it takes commands", gt=0.0)]
    max_power: Annotated[float | None, Quantity("W", "largest power that it turns into heat", gt=0.0)] = None
    critical_speed: Annotated[
        float | None, Quantity("rad/s", "speed of the largest torque of an eddy-current brake", gt=0.0)
    ] = None
    speed_slope: Annotated[
        float, Quantity("1", "share by which torque changes up to the largest speed", gt=-1.0, le=1.0)
    ] = 0.0
    smoothing: Annotated[float, Quantity("rad/s", "speed over which its torque changes sign", gt=0.0)] = 0.5
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    dead_time: Annotated[Delay, Quantity("s", "from the command to the coil", ge=0.0, also=("sample",))] = (
        Delay(Fraction(0))
    )
    idle_loss: Annotated[float, Quantity("W", "what its excitation draws", ge=0.0)] = 0.0
    rated_torque: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    drag: Drag = Drag()

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        eddy = self.law == "eddy_current"
        if eddy and self.critical_speed is None:
            raise ParameterError(
                "critical_speed", "missing: speed of the largest torque, from its data sheet"
            )
        if eddy and self.speed_slope:
            raise ParameterError(
                "speed_slope", "an eddy-current brake has its critical speed instead; leave it out"
            )
        if not eddy and self.critical_speed is not None:
            raise ParameterError("critical_speed", f"a {self.law} brake has none; leave it out")
        return [Inertia(self.inertia, self.drag, self.name)]

    def timing(self) -> Clock:
        """Return when it takes its command."""
        period = 1 / self.rate
        return Clock(period, self.phase, self.dead_time.seconds(period), ("rate", "phase", "dead_time"))


@dataclass(frozen=True)
class BrakePorts:
    """What the rest of the bench connects to."""

    command: Ref
    """Held input: excitation that is asked for [N m]."""
    torque: tuple[tuple[float, Ref], ...]
    """Torque on its body as a sum of coefficient·quantity [N m]."""
    link_meter: int
    """Energy taken from the DC link."""


def declare_brake(net: Network, brake: Brake, node: Node) -> BrakePorts:
    """Add lag, torque and meters of a brake.

    Parameters
    ----------
    net : Network
        Equations to extend.
    brake : Brake
        Parameters.
    node : Node
        Body of the line that holds the rotor.
    """
    name = brake.name
    level, command = net.state(f"{name}.excitation", "N m"), net.held(f"{name}.command", "N m")
    net.derivative(level, level, -1.0 / brake.time_constant)
    net.derivative(level, command, 1.0 / brake.time_constant)
    critical = brake.critical_speed or 0.0
    steepest = brake.max_torque * (2.0 / critical if critical else 1.0 / brake.smoothing)
    numbers = [critical, brake.smoothing, brake.speed_slope / brake.max_speed]
    (torque,) = net.term(_BRAKE, [node.speed, level], numbers, [f"{name}.torque"], slope=steepest)
    net.torque(node, torque, -1.0)
    idle = idle_powers(net, name, brake.idle_loss)
    link = net.meter(f"{name}.link", "energy taken from the DC link", idle)
    heat = net.meter(f"{name}.brake", "heat of the brake", [(1.0, torque, node.speed), *idle])
    airgap = net.meter(f"{name}.airgap", "energy to its body", [(-1.0, torque, node.speed)])
    net.balance(f"{name}.brake", [link], [airgap], [heat], [])
    return BrakePorts(command, ((-1.0, torque),), link)
