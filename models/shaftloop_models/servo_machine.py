"""A torque-controlled drive known only by its data sheet.

The air-gap torque follows the command after a dead time and a first-order lag,
``τ·T' = T_cmd(t − t_d) − T``. The command is clamped at each tick of the drive to the envelope:
largest torque, largest power over speed, and no torque that drives beyond the largest speed. Power at
the DC link is ``T·ω/η`` when motoring, ``T·ω·η`` when regenerating, plus an idle loss.

Neglected: everything electrical (voltage limit, current loops, saturation); the efficiency is one
number for inverter and machine, and torque ripple draws its power without loss. Valid well below the
bandwidth 1/(2π·τ) of the drive's own loop. Torque ripple and cogging: `shaftloop_models.harmonics`.

References
----------
.. [1] Lag, dead time and envelope as a drive model: common practice, no source.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.compiled import equation
from shaftloop_models.drag import Drag
from shaftloop_models.harmonics import Cogging, Ripple, check_machine, declare_cogging, declare_ripple
from shaftloop_models.inverter import idle_powers
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import Network, Node, PowerKind, Ref
from shaftloop_models.parameters import Clock, Delay, Quantity
from shaftloop_models.part import Machine, part_kind

__all__ = ["ServoMachine", "ServoPorts", "declare_servo_machine", "envelope_torque", "rated_power"]


@part_kind
@dataclass(frozen=True)
class ServoMachine(Machine):
    """Parameters of a torque-servo machine."""

    absent = {  # noqa: RUF012
        "heat": "a torque_servo states one efficiency for inverter and machine together, so nothing says "
        "what of its loss warms the winding; leave it out, or describe the machine as "
        'model = "pm_synchronous"'
    }
    part: Literal["machine"]
    model: Literal["torque_servo"]
    name: str
    inertia: Annotated[float, Quantity("kg m^2", "moment of inertia of the rotor", gt=0.0)]
    time_constant: Annotated[float, Quantity("s", "lag of the torque", gt=0.0)]
    rate: Annotated[Fraction, Quantity("Hz", "rate at which the drive takes commands", gt=0.0)]
    max_torque: Annotated[float, Quantity("N m", "largest torque", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "largest speed", gt=0.0)]
    max_power: Annotated[float | None, Quantity("W", "largest shaft power", gt=0.0)] = None
    dead_time: Annotated[Delay, Quantity("s", "from the command to the torque", ge=0.0, also=("sample",))] = (
        Delay(Fraction(0))
    )
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    efficiency: Annotated[float, Quantity("1", "shaft over link power when motoring", gt=0.0, le=1.0)] = 1.0
    idle_loss: Annotated[float, Quantity("W", "loss without torque", ge=0.0)] = 0.0
    rated_torque: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    drag: Drag = Drag()
    ripple: tuple[Ripple, ...] = ()
    cogging: tuple[Cogging, ...] = ()

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        check_machine(self.ripple, self.cogging, self.rated_torque, self.max_torque)
        return [Inertia(self.inertia, self.drag, self.name)]

    def timing(self) -> Clock:
        """Return when the drive takes its command."""
        period = 1 / self.rate
        return Clock(period, self.phase, self.dead_time.seconds(period), ("rate", "phase", "dead_time"))


@dataclass(frozen=True)
class ServoPorts:
    """What the rest of the bench connects to."""

    command: Ref
    """Held input: torque command inside the envelope [N m]."""
    torque: tuple[tuple[float, Ref], ...]
    """Air-gap torque as a sum of coefficient·quantity [N m]."""
    link_meter: int
    """Energy taken from the DC link."""


@equation
def envelope_torque(
    torque: float, speed: float, max_torque: float, max_power: float, max_speed: float
) -> float:
    """Return the command inside the envelope [N m].

    Parameters
    ----------
    torque : float
        Command. [N m]
    speed : float
        [rad/s]
    max_torque, max_power, max_speed : float
        Envelope. [N m], [W], [rad/s]
    """
    bound = max_torque
    if abs(speed) * bound > max_power:
        bound = max_power / abs(speed)
    if abs(speed) >= max_speed and torque * speed > 0.0:
        return 0.0
    return min(max(torque, -bound), bound)


def declare_servo_machine(
    net: Network, machine: ServoMachine, node: Node, angle: tuple[Ref, ...] = ()
) -> ServoPorts:
    """Add the lag, the losses and the meters of a machine.

    Parameters
    ----------
    node : Node
        Body of the line that holds the rotor.
    angle : tuple of Ref, optional
        Angle of the rotor, for ripple and cogging: the line's angle, then the twists to subtract.
    """
    name, speed = machine.name, node.speed
    torque = net.state(f"{name}.torque", "N m")
    command = net.held(f"{name}.command", "N m")
    net.derivative(torque, torque, -1.0 / machine.time_constant)
    net.derivative(torque, command, 1.0 / machine.time_constant)
    net.torque(node, torque)
    made = [(1.0, torque)]
    idle = idle_powers(net, name, machine.idle_loss)
    drawn = list(idle)
    if machine.ripple:
        reference = (machine.rated_torque, machine.max_speed)
        ripple = declare_ripple(net, name, machine.ripple, angle, (torque, torque, 1.0, 0.0), reference)
        net.torque(node, ripple)
        made.append((1.0, ripple))
        drawn.append((1.0, ripple, speed))
    link = net.meter(f"{name}.link", "energy taken from the DC link", drawn)
    loss = net.meter(f"{name}.conversion", "loss of inverter and machine", idle)
    net.power(link, PowerKind.LINK, machine.efficiency, torque, speed)
    net.power(loss, PowerKind.CONVERSION_LOSS, machine.efficiency, torque, speed)
    airgap = net.meter(f"{name}.airgap", "air-gap energy", [(w, source, speed) for w, source in made])
    net.balance(f"{name}.conversion", [link], [airgap], [loss], [])
    if machine.cogging:
        made.append((1.0, declare_cogging(net, name, machine.cogging, angle, node, machine.max_speed)))
    return ServoPorts(command, tuple(made), link)


def rated_power(machine: ServoMachine) -> float:
    """Return the largest shaft power, infinite where none is stated [W]."""
    return math.inf if machine.max_power is None else machine.max_power
