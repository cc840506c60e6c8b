"""Where the phase at crossover goes: the latency budget of a loop.

Every element of the signal path is made ideal in turn, the bench is assembled anew and its response taken
at the same frequency. What the phase gains is that element's share; what the shares miss of the phase that
all ideal elements together gain is the interaction of unequal sampling rates. Controller and shaft
line take the rest, so the rows sum to the phase of the loop.
"""

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.response import fundamental
from shaftloop.control.parameters import Loop, PathModel
from shaftloop.control.structures import controller_response
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description, Machine, Part
from shaftloop_models.encoder import Encoder
from shaftloop_models.parameters import Delay
from shaftloop_models.servo_machine import ServoMachine
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["Budget", "Share", "latency_budget"]

_Model = TypeVar("_Model", bound=PathModel)

_FASTER = 16
"""How many times faster an ideal sampler or task runs."""


@dataclass(frozen=True)
class Share:
    """One row of the budget."""

    cause: str
    phase: float
    """Part of the phase of L at the crossover; lost phase is negative [deg]."""
    delay: float
    """The same as a delay at that frequency [s]."""
    ideal: Margins | None
    """Margins with this element ideal; None for rows that cannot be ideal."""


@dataclass(frozen=True)
class Budget:
    """The phase of a loop at its crossover, split by cause."""

    loop: str
    frequency: float
    """Crossover. [Hz]"""
    phase: float
    """Phase of L there [deg]."""
    shares: tuple[Share, ...]
    """Rows; their phases sum to `phase`."""


def latency_budget(description: Description, margins: Margins) -> Budget | None:
    """Return the latency budget of a loop, None where its gain never reaches 1.

    Parameters
    ----------
    description : Description
        The bench.
    margins : Margins
        Of the loop.
    """
    frequency = margins.crossover
    if frequency is None:
        return None
    loop = next(spec for spec in description.loop if spec.name == margins.loop)
    variants = _variants(description, loop)
    here = _phase_near(margins, frequency, None)
    shares, ideal = [], description
    for cause, change in variants:
        variant = _margins(change(description), margins)
        if variant is not None:
            lost = here - _phase_near(variant, frequency, here)
            shares.append(Share(cause, lost, -lost / 360.0 / frequency, variant))
        ideal = change(ideal)
    every = _margins(ideal, margins)
    if every is None:
        return None
    best = _phase_near(every, frequency, here)
    rest = (here - best) - sum(share.phase for share in shares)
    shift = np.exp(2j * np.pi * frequency / float(loop.rate))
    controller = float(np.degrees(np.angle(controller_response(loop, shift))))
    for cause, phase in (
        ("interaction of the sampling rates", rest),
        ("controller", controller),
        ("shaft line with the other loops", best - controller),
    ):
        shares.append(Share(cause, phase, -phase / 360.0 / frequency, None))
    return Budget(margins.loop, frequency, here, tuple(shares))


def _margins(description: Description, margins: Margins) -> Margins | None:
    """Return the margins of the same loop of another bench, None where that bench has no steady state."""
    try:
        bench = HyperMap(description)
        state = held_state(bench, margins.point)
    except SimulationError:
        return None
    return loop_margins(bench, bench.bench.loops[margins.loop], margins.point, state)


def _phase_near(margins: Margins, frequency: float, reference: float | None) -> float:
    """Return the phase of L [deg]: between -360° and 0°, or the value nearest to a reference."""
    value = fundamental(margins.system, np.array([frequency]))[0]
    phase = float(np.degrees(np.angle(value)))
    if reference is None:
        return phase if phase <= 0.0 else phase - 360.0
    return phase + 360.0 * round((reference - phase) / 360.0)


def _variants(description: Description, loop: Loop) -> list[tuple[str, "_Change"]]:
    """Return the elements of the path of a loop that can be ideal, with the change that makes them so."""
    source = description.origin(loop.reads)
    part = next((p for p in description.line if p.name == source), None)
    variants: list[tuple[str, _Change]] = []
    if isinstance(part, TorqueSensor) and part.filter is not None:
        variants.append(("sensor filter", _Change(source, "filter")))
    if isinstance(part, TorqueSensor | Encoder):
        variants.append(("sampling of the sensor", _Change(source, "sampling")))
        if part.latency.value:
            variants.append(("sensor latency", _Change(source, "latency")))
    if any(hop.carries in (source, loop.name) or hop.name == loop.reads for hop in description.hop):
        variants.append(("bus hops", _Change(loop.name, "hops")))
    variants.append(("control task: computation and hold", _Change(loop.name, "task")))
    variants.append(("current loop and its sampling", _Change(loop.acts_on, "machine")))
    return variants


@dataclass(frozen=True)
class _Change:
    """Makes one element of a bench ideal."""

    name: str
    what: str

    def __call__(self, description: Description) -> Description:
        if self.what == "hops":
            return self._without_hops(description)
        if self.what == "task":
            loops = tuple(_fast_loop(loop) if loop.name == self.name else loop for loop in description.loop)
            return replace(description, loop=loops)
        line = tuple(self._ideal(part) if part.name == self.name else part for part in description.line)
        return replace(description, line=line)

    def _ideal(self, part: Part) -> Part:
        if self.what == "machine" and isinstance(part, Machine):
            rate = _FASTER * (part.rate if isinstance(part, ServoMachine) else part.current_control.rate)
            return ServoMachine(
                "machine",
                "torque_servo",
                part.name,
                part.inertia,
                1e-7,
                rate,
                1e9,
                part.max_speed,
                drag=part.drag,
            )
        if not isinstance(part, TorqueSensor | Encoder):
            return part
        period = 1 / part.sampling
        if self.what == "filter" and isinstance(part, TorqueSensor):
            return replace(part, filter=None, noise_density=0.0)
        if self.what == "latency":
            return replace(part, latency=Delay(0 * period))
        latency = Delay(part.latency.seconds(period))
        return replace(part, sampling=_FASTER * part.sampling, phase=0 * period, latency=latency)

    def _without_hops(self, description: Description) -> Description:
        origin = description.origin

        def straight(loop: Loop) -> Loop:
            damping = loop.active_damping
            if damping is not None:
                damping = replace(damping, left=origin(damping.left), right=origin(damping.right))
            return replace(loop, reads=origin(loop.reads), active_damping=damping)

        return replace(description, loop=tuple(map(straight, description.loop)), hop=())


def _fast_loop(loop: Loop) -> Loop:
    def timed(model: _Model | None) -> _Model | None:
        """Return a path model whose delay does not shrink with the period."""
        return model and replace(model, delay=Delay(model.delay.seconds(1 / loop.rate)))

    return replace(
        loop,
        rate=_FASTER * loop.rate,
        phase=0 * loop.phase,
        output_latency=Delay(0 * loop.phase),
        predictor=timed(loop.predictor),
        disturbance_observer=timed(loop.disturbance_observer),
    )
