"""How small the capacitor of a link may be, and how large its brake resistors, for a sequence.

Found by runs of the bench, from the stated value on: it is doubled or halved until the outcome changes, and
bisected from there. The answer is the last value that was run and keeps the bounds of the link; beside it
stands the nearest one that was run and does not, with what happens there. All else stays as stated, the gains
of a voltage loop, too. That no value beyond the answer keeps the bounds again is taken for granted.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.verify import check_energy
from shaftloop.bench.parts.link import HOLDS
from shaftloop.errors import SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop_models.supply import DcLink, Stiff

__all__ = ["FINE", "LinkSize", "size_link"]

FINE = 0.002
"""Relative distance between the answer and the nearest value that does not do."""
_TWICE = 10
"""How often the stated value is doubled or halved at most."""


@dataclass(frozen=True)
class LinkSize:
    """The bound of a capacitance or resistance."""

    key: str
    """In the scenario."""
    figure: Figure
    """The last value that keeps the bounds of the link; nothing where there is none."""
    stated: float
    """[F] or [ohm]"""
    worse: float | None = None
    """The nearest value that was run and does not; nothing where there is none. [F] or [ohm]"""
    why: str = ""
    """What happens there."""
    runs: int = 1
    """How many it took."""

    @property
    def short(self) -> bool:
        """Whether what is stated does not do."""
        value = self.figure.value
        if value is None:
            return bool(self.why)
        return self.stated < value if self.figure.better == "lower" else self.stated > value


@dataclass
class _Search:
    """Runs of a bench over one value."""

    change: Callable[[float], Description]
    judge: Callable[[Simulation], str]
    """What is wrong in a run, in words; empty where nothing is."""
    progress: Callable[[float], None] | None
    runs: int = 0

    def fault(self, value: float) -> str:
        """Return what is wrong with a value; empty where nothing is."""
        self.runs += 1
        if self.progress:
            self.progress(min(self.runs / (math.log2(math.log(2.0) / FINE) + 4.0), 1.0))
        try:
            run = simulate(self.change(value))
            check_energy(run)
        except SimulationError as error:
            return str(error)
        return self.judge(run)

    def bound(self, found: LinkSize, worse: float) -> LinkSize:
        """Return the last value that does, towards what gets worse by a factor."""
        good, bad, value, why = 0.0, 0.0, found.stated, ""
        for _ in range(_TWICE + 1):
            said = self.fault(value)
            good, bad, why = (good, value, said) if said else (value, bad, why)
            if good and bad:
                break
            value *= 1.0 / worse if said else worse
        else:
            last = good or bad
            reason = f"the link keeps its bounds even with {last:.3g} {found.figure.unit}"
            if bad:
                reason = f"not even {last:.3g} {found.figure.unit} keeps the bounds of the link: {why}"
            return replace(found, figure=found.figure.absent(reason), why=why, runs=self.runs)
        while max(good, bad) > (1.0 + FINE) * min(good, bad):
            value = math.sqrt(good * bad)
            said = self.fault(value)
            good, bad, why = (good, value, said) if said else (value, bad, why)
        return replace(found, figure=found.figure.found(good), worse=bad, why=why, runs=self.runs)


def size_link(
    description: Description, progress: Callable[[float], None] | None = None
) -> tuple[LinkSize, ...]:
    """Return the smallest capacitance and the largest brake resistances with which a link keeps its bounds.

    The capacitance keeps the link between undervoltage and overvoltage, and where its resistors hold it; a
    resistor holds it below the overvoltage and 1.03 times its on level. Sequence and faults are those of the
    bench; `progress` is called now and then with the share of one bound that is done.
    """
    return tuple(_bounds(description, progress))


def _bounds(description: Description, progress: Callable[[float], None] | None) -> Iterator[LinkSize]:
    supply = description.supply
    if isinstance(supply, Stiff):
        return
    meaning = "smallest capacitance with which the link keeps its bounds in the sequence"
    figure = Figure("link.smallest_capacitance", "F", meaning, better="lower", group="link")
    found = LinkSize("supply.capacitance", figure, supply.capacitance)
    if supply.start() < supply.lowest():
        reason = "the link starts below its undervoltage; start it charged, without supply.initial_voltage"
        yield replace(found, figure=figure.absent(reason), runs=0)
    else:

        def with_capacitance(value: float) -> Description:
            return replace(description, supply=replace(supply, capacitance=value))

        yield _Search(with_capacitance, partial(_out_of_bounds, supply), progress).bound(found, 0.5)
    for number, part in enumerate(description.brake_resistor):

        def with_resistance(value: float, number: int = number) -> Description:
            parts = list(description.brake_resistor)
            parts[number] = replace(parts[number], resistance=value)
            return replace(description, brake_resistor=tuple(parts))

        meaning = "largest resistance with which it holds the link in the sequence"
        figure = Figure(f"{part.name}.largest_resistance", "ohm", meaning, better="higher", group=part.name)
        found = LinkSize(f"brake_resistor.{part.name}.resistance", figure, part.resistance)
        yield _Search(with_resistance, partial(_too_high, supply), progress).bound(found, 2.0)


def _out_of_bounds(supply: DcLink, run: Simulation) -> str:
    """Return in words that the link leaves its bounds, or that control does not keep up with it."""
    low, least = run.peaks["link.voltage"][0], supply.lowest()
    if low < least:
        return f"the link falls to {low:.4g} V, below its undervoltage of {least:.4g} V"
    return _too_high(supply, run) or run.bench.link.too_small(run.peaks)


def _too_high(supply: DcLink, run: Simulation) -> str:
    """Return in words that the link rises too high."""
    high, most = run.peaks["link.voltage"][1], supply.overvoltage
    if most is not None and high > most:
        return f"the link rises to {high:.4g} V, above its overvoltage of {most:.4g} V"
    for part in run.bench.description.brake_resistor:
        if high > HOLDS * part.on_level:
            return f"the link rises to {high:.4g} V, above {HOLDS:g} times the on level of {part.name}"
    return ""
