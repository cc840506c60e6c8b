"""Where the phase at crossover goes: the latency budget of a loop.

Every element of the signal path is made ideal in turn, the bench is assembled anew and its response taken
at the same frequency. What the phase gains is that element's share; what the shares miss of the phase that
all ideal elements together gain is the interaction of unequal sampling rates. Controller and shaft
line take the rest, so the rows sum to the phase of the loop.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np

from shaftloop.analysis.carried import Known
from shaftloop.analysis.cost import MapWork, loop_rates
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.response import fundamental
from shaftloop.bench.parts.part import FASTER, make_part
from shaftloop.control.parameters import Loop, PathModel
from shaftloop.control.structures import controller_response
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop_models.parameters import Delay
from shaftloop_models.part import Part
from shaftloop_models.supply import SUPPLY, TwoWay

__all__ = ["LatencyBudget", "Share", "latency_budget"]

_Model = TypeVar("_Model", bound=PathModel)

_Change = Callable[[Description], Description]


@dataclass(frozen=True)
class Share:
    """One row of the budget."""

    cause: str
    phase: float
    """Part of the phase of L at the crossover; lost phase is negative [deg]."""
    delay: float
    """The same as a delay at that frequency [s]."""
    ideal: Margins | None
    """Margins with this element ideal, found as they are asked for; None for rows that cannot be ideal."""


@dataclass(frozen=True)
class LatencyBudget:
    """The phase of a loop at its crossover, split by cause."""

    loop: str
    frequency: float
    """Crossover. [Hz]"""
    phase: float
    """Phase of L there [deg]."""
    shares: tuple[Share, ...]
    """Rows; their phases sum to `phase`."""


def latency_budget(
    description: Description, margins: Margins, start: Known | None = None
) -> LatencyBudget | None:
    """Return the latency budget of a loop, None where its gain never reaches 1.

    Parameters
    ----------
    start : mapping, optional
        The steady state, by slot.
    """
    frequency = margins.crossover
    if frequency is None:
        return None
    loop = next(spec for spec in description.loop if spec.name == margins.loop)
    ideal, benches = description, []
    for cause, change in _variants(description, loop):
        benches.append((cause, _bench(change(description), loop.name)))
        ideal = change(ideal)
    whole = _bench(ideal, loop.name)
    here, shares = _phase_near(margins, frequency, None), []
    for cause, bench in benches:
        variant = _margins(bench, margins, start)
        if variant is not None:
            lost = here - _phase_near(variant, frequency, here)
            shares.append(Share(cause, lost, -lost / 360.0 / frequency, variant))
    every = _margins(whole, margins, start)
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
    return LatencyBudget(margins.loop, frequency, here, tuple(shares))


def _bench(description: Description, loop: str) -> HyperMap:
    """Return a bench of which crossover, Ms and phase margin of one loop will be found."""
    rates = loop_rates(description)
    return HyperMap(description, MapWork({loop: rates[loop]}, 4.0, whole=False))


def _margins(bench: HyperMap, margins: Margins, start: Known | None) -> Margins | None:
    """Return the margins of the same loop of another bench, None where that bench has no steady state."""
    try:
        state = held_state(bench, margins.point, start)
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


def _variants(description: Description, loop: Loop) -> list[tuple[str, _Change]]:
    """Return the elements of the path of a loop that can be ideal, with the change that makes them so."""
    source = description.origin(loop.reads)
    part, machine = description.part(source), description.part(loop.acts_on)
    variants: list[tuple[str, _Change]] = []
    if part is not None and part.samples:
        variants += [(ideal.cause, _PartChange(source, ideal.change)) for ideal in make_part(part).ideals()]
    if any(hop.carries in (source, loop.name) or hop.name == loop.reads for hop in description.hop):
        variants.append(("bus hops", _without_hops))
    variants.append(("control task: computation and hold", lambda bench: _with_fast_loop(bench, loop.name)))
    if loop.acts_on == SUPPLY:
        variants += [("measurement of the voltage", _measured_at_once), ("current of the supply", _quick)]
    if machine is not None:
        ideals = make_part(machine).ideals()
        variants += [(ideal.cause, _PartChange(machine.name, ideal.change)) for ideal in ideals]
    return variants


@dataclass(frozen=True)
class _PartChange:
    """Changes one part of a bench."""

    name: str
    change: Callable[[Part], Part]

    def __call__(self, description: Description) -> Description:
        line = tuple(self.change(part) if part.name == self.name else part for part in description.line)
        return replace(description, line=line)


def _supplied(description: Description, **changes: Any) -> Description:
    return replace(description, supply=replace(description.supply, **changes))


def _measured_at_once(description: Description) -> Description:
    rate = cast(TwoWay, description.supply).sampling
    return _supplied(description, sampling=FASTER * rate, latency=Delay(0 * rate))


def _quick(description: Description) -> Description:
    return _supplied(description, time_constant=1e-7)


def _without_hops(description: Description) -> Description:
    origin = description.origin

    def straight(loop: Loop) -> Loop:
        damping = loop.active_damping
        if damping is not None:
            damping = replace(damping, left=origin(damping.left), right=origin(damping.right))
        return replace(loop, reads=origin(loop.reads), active_damping=damping)

    return replace(description, loop=tuple(map(straight, description.loop)), hop=())


def _with_fast_loop(description: Description, name: str) -> Description:
    loops = tuple(_fast_loop(loop) if loop.name == name else loop for loop in description.loop)
    return replace(description, loop=loops)


def _fast_loop(loop: Loop) -> Loop:
    def timed(model: _Model | None) -> _Model | None:
        """Return a path model whose delay does not shrink with the period."""
        return model and replace(model, delay=Delay(model.delay.seconds(1 / loop.rate)))

    return replace(
        loop,
        rate=FASTER * loop.rate,
        phase=0 * loop.phase,
        output_latency=Delay(0 * loop.phase),
        predictor=timed(loop.predictor),
        disturbance_observer=timed(loop.disturbance_observer),
    )
