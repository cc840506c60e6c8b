"""What a real bench has and the linear prediction has not, switched off one by one on the same bench."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description, Part
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop_models.coupling import Coupling
from shaftloop_models.encoder import Encoder
from shaftloop_models.pm_machine import PmMachine
from shaftloop_models.servo_machine import ServoMachine
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["EFFECTS", "LIMITS", "Effect", "present", "without"]

_BEYOND = 1e6
"""Factor that takes a limit out of reach."""
_FINE_EDGES = 10**7


@dataclass(frozen=True)
class Effect:
    """Something that the prediction leaves out."""

    name: str
    """In the words of the trade."""
    off: Callable[[Description, str], Description]
    """The bench without it; takes bench and tuned loop."""


@dataclass(frozen=True)
class Limit:
    """A limit that each machine of a kind has, out of reach in turn: the explanation names the machine."""

    kind: type
    name: str
    beyond: Callable[[Any], Part]

    def of(self, machine: str) -> Effect:
        """Return the limit of one machine."""
        return Effect(
            f"{self.name} of {machine}",
            _parts(self.kind, lambda part: self.beyond(part) if part.name == machine else part),
        )


def present(description: Description, loop: str) -> tuple[Effect, ...]:
    """Return the effects that a bench has.

    Parameters
    ----------
    description : Description
        The bench.
    loop : str
        The loop that is tuned.
    """
    machines = [part.name for part in description.line if isinstance(part, PmMachine | ServoMachine)]
    limits = [limit.of(name) for name in machines for limit in LIMITS]
    return tuple(effect for effect in (*limits, *EFFECTS) if effect.off(description, loop) != description)


def without(description: Description, loop: str, effects: Iterable[Effect]) -> Description:
    """Return a bench without some effects.

    Parameters
    ----------
    description : Description
        The bench.
    loop : str
        The loop that is tuned.
    effects : iterable of Effect
        What is switched off.
    """
    for effect in effects:
        description = effect.off(description, loop)
    return description


def _parts(kind: type, change: Callable[[Any], Part]) -> Callable[[Description, str], Description]:
    """Return what changes all parts of a kind."""
    return lambda bench, _: replace(
        bench, line=tuple(change(part) if isinstance(part, kind) else part for part in bench.line)
    )


def _stated(kind: type, **values: object) -> Callable[[Description, str], Description]:
    """Return what gives fields of all parts of a kind new values."""
    return _parts(kind, lambda part: replace(part, **values))


def _machines(**values: object) -> Callable[[Description, str], Description]:
    return _stated(PmMachine | ServoMachine, **values)  # type: ignore[arg-type]


def _own(change: Callable[[Loop], Loop]) -> Callable[[Description, str], Description]:
    """Return what changes the loop that is tuned."""
    return lambda bench, name: with_loop(bench, change(loop_named(bench, name)))


def _others(change: Callable[[Loop], Loop]) -> Callable[[Description, str], Description]:
    """Return what changes the other loops, limiters left as they are."""
    return lambda bench, name: replace(
        bench,
        loop=tuple(
            loop if loop.name == name or loop.limiter_of is not None else change(loop) for loop in bench.loop
        ),
    )


def _free(loop: Loop) -> Loop:
    return replace(loop, clamp=_BEYOND * loop.clamp)


def _weak_link(bench: Description, _: str) -> Description:
    """Take the voltage limit out of reach; field weakening begins at the voltage at which it did."""

    def kept(part: Part) -> Part:
        if not isinstance(part, PmMachine):
            return part
        control = part.current_control
        reserve = 1.0 - (1.0 - control.voltage_reserve) / _BEYOND
        return replace(part, current_control=replace(control, voltage_reserve=reserve))

    if not any(isinstance(part, PmMachine) for part in bench.line):
        return bench
    supply = replace(bench.supply, voltage=_BEYOND * bench.supply.voltage)
    return replace(bench, supply=supply, line=tuple(kept(part) for part in bench.line))


LIMITS = (
    Limit(
        PmMachine,
        "current limit",
        lambda part: replace(part, current_limit=_BEYOND * part.current_limit),
    ),
    Limit(ServoMachine, "largest torque", lambda part: replace(part, max_torque=_BEYOND * part.max_torque)),
    Limit(ServoMachine, "largest power", lambda part: replace(part, max_power=None)),
    # Not further: the step rule follows the largest speed.
    Limit(ServoMachine, "largest speed", lambda part: replace(part, max_speed=2.0 * part.max_speed)),
)
"""Limits of machines, each named with its machine."""

EFFECTS = (
    Effect(
        "rate limit of the set-point",
        _own(lambda loop: loop if loop.setpoint_rate is None else replace(loop, setpoint_rate=None)),
    ),
    Effect("clamp of the command", _own(_free)),
    Effect("clamps of the other loops", _others(_free)),
    Effect("voltage limit of the DC link", _weak_link),
    Effect("torque ripple of the machines", _machines(ripple=())),
    Effect("cogging of the machines", _machines(cogging=())),
    Effect(
        "misalignment of the couplings",
        _stated(Coupling, parallel_offset=0.0, angular_offset=0.0),
    ),
    Effect("hysteresis of the torque sensor", _stated(TorqueSensor, hysteresis=0.0)),
    Effect("zero of the torque sensor from run to run", _stated(TorqueSensor, repeatability=0.0)),
    Effect("noise of the torque sensor", _stated(TorqueSensor, noise_density=0.0)),
    Effect("quantiser of the torque sensor", _stated(TorqueSensor, bits=None, resolution=0.0)),
    Effect(
        "range of the torque sensor",
        _parts(
            TorqueSensor,
            lambda part: replace(
                part,
                range=None,
                bits=None,
                resolution=part.quantiser_step(),
            ),
        ),
    ),
    Effect("edges of the encoder", _stated(Encoder, lines=_FINE_EDGES)),
    Effect("angle error of the encoder", _stated(Encoder, turn_error=0.0)),
)
"""All others; the sensor's range is taken away with its quantiser kept."""
