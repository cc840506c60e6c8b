"""What a run asks of every part against what the part stands, and how long its limits held it back."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from shaftloop.analysis.pulsation import lasting_torque, pulsation_ratings, pulsations
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.link import HOLDS
from shaftloop.engine.runaway import outrun, stretch_of
from shaftloop.figures import Figure, number
from shaftloop_models.supply import Bridge

__all__ = [
    "Held",
    "Load",
    "continuous",
    "held",
    "known_figures",
    "loads",
    "overloads",
    "rating_figures",
    "runaway",
    "strained",
    "surged",
]

_LONG = 0.01
"""Share of the time at a limit that is worth a word."""


@dataclass(frozen=True)
class Load:
    """The largest value of a quantity of a part in a run."""

    part: str
    quantity: str
    unit: str
    peak: float
    """Largest size, from inside the steps. [unit]"""
    rated: float | None
    """[unit]"""
    limit: float | None
    """[unit]"""
    base: float = 0.0
    """Where it counts from. [unit]"""

    def document(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "part": self.part,
            "quantity": self.quantity,
            "largest": number(self.peak, self.unit),
            "rated": number(self.rated, self.unit, "not stated"),
            "limit": number(self.limit, self.unit, "not stated"),
        }

    def share(self, bound: float) -> float:
        """Return how much of a bound is asked for, from where the quantity counts [1]."""
        return (self.peak - self.base) / (bound - self.base)

    @property
    def beyond_limit(self) -> bool:
        """Whether it passes what the part must never pass."""
        return self.limit is not None and self.peak > self.limit

    @property
    def beyond_rating(self) -> bool:
        """Whether it passes what the part stands for good."""
        return self.rated is not None and self.peak > self.rated


@dataclass(frozen=True)
class Held:
    """How a limit acted in a run."""

    owner: str
    """Machine or loop, in words."""
    limit: str
    unit: str
    allowed: float
    """[unit]"""
    peak: float
    """Largest size at a tick, the lowest value of the run where it is a limit from below. [unit]"""
    share: float
    """Of the ticks at which it held its owner back. [1]"""
    first: float | None
    """Instant at which it first did; nothing where it never did. [s]"""
    last: float | None
    """[s]"""
    below: bool = False
    """Whether it holds its owner back below what is allowed."""


def loads(simulation: Simulation) -> tuple[Load, ...]:
    """Return the largest torque, speed and temperature of every part that states a rating or limit."""
    heat = simulation.heat
    peaks = simulation.peaks if heat is None else simulation.peaks | heat.extremes()
    swings = pulsations(simulation)
    peaks = peaks | {channel: (0.0, value) for channel, value in swings.items()}
    alternating = [entry for entry in pulsation_ratings(simulation.bench) if entry.peak in swings]
    return tuple(
        Load(
            entry.part,
            entry.quantity,
            entry.unit,
            max(map(abs, peaks[entry.peak])) if entry.base is None else peaks[entry.peak][1],
            entry.rated,
            entry.limit,
            entry.base or 0.0,
        )
        for entry in (*simulation.bench.ratings(), *alternating)
    )


def held(simulation: Simulation) -> tuple[Held, ...]:
    """Return how every limit of a machine or loop acted."""
    found = []
    for entry in simulation.bench.watches:
        ticks, first, last, peak = simulation.watched[entry.slot]
        due = simulation.duration / float(simulation.bench.model.tasks[entry.task].period)
        acted = ticks > 0.0
        found.append(
            Held(
                entry.words,
                entry.limit,
                entry.unit,
                entry.allowed,
                simulation.peaks[entry.lowest][0] if entry.lowest else peak,
                min(ticks / due, 1.0) if due > 0.0 else 0.0,
                first if acted else None,
                last if acted else None,
                below=bool(entry.lowest),
            )
        )
    return tuple(found)


def continuous(simulation: Simulation) -> tuple[Load, ...]:
    """Return the rms torque of every machine that states a rated one, which it stands without end.

    It is that of the records, of an engine without its pulsation; a machine that is not recorded is left out.
    """
    found = []
    for machine in simulation.bench.description.machines():
        torque = lasting_torque(simulation, machine.name)
        if machine.rated_torque is not None and torque.size:
            rms = float(np.sqrt(np.mean(np.square(torque))))
            found.append(Load(machine.name, "torque", "N m", rms, machine.rated_torque, None))
    return tuple(found)


def overloads(simulation: Simulation) -> tuple[str, ...]:
    """Return, in words, every limit of a part that a run passes: such a part is damaged."""
    found = [
        f"{_sees(entry)} {_shown(entry.peak, entry.unit)}, beyond its limit of "
        f"{_shown(entry.limit, entry.unit)}"
        for entry in loads(simulation)
        if entry.limit is not None and entry.beyond_limit
    ]
    duty = simulation.duty
    if duty is not None and duty.ended:
        found.append(f"the duty ends in its cycle {duty.cycles}: {duty.ended}")
    return tuple(found)


def strained(simulation: Simulation) -> tuple[str, ...]:
    """Return, in words, every rating that is passed and every limit that holds its owner back for long."""
    found = [
        f"{_sees(entry)} {_shown(entry.peak, entry.unit)}, above its rating of "
        f"{_shown(entry.rated, entry.unit)}"
        for entry in loads(simulation)
        if entry.rated is not None and entry.beyond_rating and not entry.beyond_limit
    ]
    found += [
        f"{entry.owner} spends {100.0 * entry.share:.1f} % of the time at its limit of {_words(entry.limit)}"
        f", {_shown(entry.allowed, entry.unit)}, first at {entry.first:.4g} s and last at {entry.last:.4g} s"
        for entry in held(simulation)
        if entry.first is not None and entry.last is not None and entry.share > _LONG
    ]
    found += [
        f"{entry.part} gives a torque of {_shown(entry.peak, entry.unit)} rms, above its rated torque of "
        f"{_shown(entry.rated, entry.unit)}, which it stands without end"
        for entry in continuous(simulation)
        if entry.rated is not None and entry.beyond_rating
    ]
    charged = [text for text in (surged(simulation),) if text]
    return (*charged, *found, *simulation.bench.link.findings(simulation.peaks), *_warm(simulation))


def surged(simulation: Simulation) -> str:
    """Return, in words, that a link charged without resistor swings beyond its levels; empty where not."""
    link = simulation.bench.link
    supply = link.supply
    if not isinstance(supply, Bridge):
        return ""
    levels = [HOLDS * part.parameters.on_level for part in link.resistors]
    levels += [supply.overvoltage] if supply.overvoltage is not None else []
    if min(supply.surge(), simulation.peaks["link.voltage"][1]) <= min(levels, default=math.inf):
        return ""
    # Ten times what damps the swing: 20·sqrt(L/C) with the inductance of two phases.
    enough = 20.0 * (2.0 * supply.source_inductance / supply.capacitance) ** 0.5
    remedy = "raise supply.precharge_until"
    if supply.precharge_resistance is None:
        remedy = f"state supply.precharge_resistance, {float(f'{enough:.2g}'):g} ohm or so"
    return (
        f"the link is charged from {supply.bare_from():.4g} V on without a resistor and would swing to "
        f"{supply.surge():.4g} V with the inductance of its source alone; {remedy}"
    )


def runaway(simulation: Simulation) -> str:
    """Return, in words, that a body left the speeds that steps are made for; nothing where none did."""
    found = [event for event in simulation.events if event.kind == "beyond_max_speed"]
    if not found:
        return ""
    run, first = simulation.run, found[0]
    whose = "its max_speed" if first.name in simulation.bench.machines else "max_speed of the machines"
    others = f", {len(found) - 1} more after it" if len(found) > 1 else ""
    stretch = stretch_of(run.model, run.state)
    text = f"{first.name} is beyond {whose} from {first.time:.4g} s on{others}: steps are refined from there"
    if outrun(run.model, run.state):
        return f"{text}, but not for more than {stretch} times that speed: do not trust what is faster"
    return f"{text}, at the end for {stretch} times that speed"


def _warm(simulation: Simulation) -> Iterator[str]:
    """Yield what is said of currents over time that are spent, and of a steady state beyond a limit."""
    heat, duty = simulation.heat, simulation.duty
    if heat is None:
        return
    for column, budget in enumerate(heat.heat.budgets if duty is None else ()):
        spent = heat.reached(heat.spent[:, column], 1.0 - 1e-9)
        if spent is not None:
            owner = budget.name.split(".")[0]
            most = budget.limits[1]
            yield f"{owner} has spent its current over time at {spent:.4g} s and gets {most:.4g} A"
    for column, body in enumerate(heat.heat.bodies):
        if duty is None or duty.steady is None or body.limit is None:
            continue
        highest = float(duty.steady[:, column].max())
        if highest > body.limit >= heat.temperature[:, column].max():
            owner, _, what = body.name.partition(".")
            yield (
                f"the {what} of {owner} would reach {highest:.4g} degC in the steady state of the duty, "
                f"beyond its limit of {body.limit:.4g} degC"
            )


def _sees(entry: Load) -> str:
    """Return whose the load is, in words that its size follows."""
    if "_" not in entry.quantity:
        return f"{entry.part} sees"
    return f"the {entry.quantity.removesuffix('_temperature').replace('_', ' ')} of {entry.part} reaches"


def _shown(value: float, unit: str) -> str:
    if unit == "rad/s":
        value, unit = value * 30.0 / math.pi, "rpm"
    return f"{value:.4g} {unit}"


def rating_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield what loads and limits say, as metrics."""
    values: dict[tuple[str, ...], tuple[float, float | None]] = {}
    for load in loads(simulation):
        place = load.part, load.quantity
        values["load", *place] = load.peak, None
        for name, bound in (("rated", load.rated), ("limit", load.limit)):
            if bound is not None:
                values[f"load_of_{name}", *place] = load.share(bound), None
    for edge in simulation.bench.line.edges:
        peak = max(map(abs, simulation.peaks[edge.part]))
        values["twist", edge.part] = edge.strain(peak), None
        part = simulation.bench.description.part(edge.part)
        stress = None if part is None else part.stress(peak)
        if stress is not None:
            values["stress", edge.part] = stress, None
    for watch, limit in zip(simulation.bench.watches, held(simulation), strict=True):
        values["limited", watch.owner, watch.limit] = limit.share, limit.first
    for figure in known_figures(simulation.bench):
        yield figure.found(*values[tuple(figure.name.split("."))])


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the same figures, not looked for yet."""
    for entry in (*bench.ratings(), *pulsation_ratings(bench)):
        place = f"{entry.part}.{entry.quantity}"
        what = f"largest {entry.quantity.replace('_', ' ')} of {entry.part}"
        either = ", either sign" if entry.base is None else ""
        from_where = "" if entry.base is None else ", both from the ambient"
        yield Figure(f"load.{place}", entry.unit, f"{what}{either}", better="lower")
        for name, bound in (("rated", entry.rated), ("limit", entry.limit)):
            if bound is not None:
                words = "over what it is rated for" if name == "rated" else "over its limit"
                yield Figure(f"load_of_{name}.{place}", "1", f"{what} {words}{from_where}", better="lower")
    for edge in bench.line.edges:
        meaning = f"largest torque of {edge.part} over its static stiffness"
        yield Figure(f"twist.{edge.part}", "rad", meaning, better="lower")
        part = bench.description.part(edge.part)
        if part is not None and part.stress(1.0) is not None:
            meaning = f"shear stress of {edge.part} at its largest torque, without what steps and keyways add"
            yield Figure(f"stress.{edge.part}", "Pa", meaning, better="lower")
    for limited in bench.watches:
        yield Figure(
            f"limited.{limited.owner}.{limited.limit}",
            "1",
            f"share of the time that {limited.words} spends at its limit of {_words(limited.limit)}",
            better="lower",
        )


def _words(limit: str) -> str:
    return limit.replace("_", " ")
