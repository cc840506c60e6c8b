"""Which gains a loop is given, and out of what; the evidence for them is `tune`'s."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.tuning.bounds import Bounds, tighter
from shaftloop.studies.tuning.closedloop import closed_loop
from shaftloop.studies.tuning.family import best_of_family
from shaftloop.studies.tuning.figures import Figures, Peak, figures
from shaftloop.studies.tuning.identify import identify
from shaftloop.studies.tuning.inturn import SAME, Settled, settle
from shaftloop.studies.tuning.modedamping import ModeDamping, mode_bounds
from shaftloop.studies.tuning.outcome import excursion
from shaftloop.studies.tuning.plant import LoopPlant, bench_plants, loop_named, with_loop
from shaftloop.studies.tuning.pullback import pulled_back, rounded
from shaftloop.studies.tuning.relay import relay_on_bench
from shaftloop.studies.tuning.results import Design, Option
from shaftloop.studies.tuning.rules import Proposal, propose
from shaftloop.studies.tuning.search import Objective, Search, Trial
from shaftloop.studies.tuning.structures import HELD, STRUCTURES
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tradeoff import broken, none_stable, trade_off
from shaftloop.studies.tuning.usable import chosen_of, usable

__all__ = ["Choice", "Judge", "Tuner", "TuningDemand", "tuned_bench"]

_RELAY, _RELAY_CYCLES, _LONGEST_RELAY = 0.05, 15.0, 1.5
"""Swing of the relay over the clamp, periods that it runs at least, and the time at most [s]."""
_VERIFIED, _UNSTABLE = 6, 2.0
"""Searches until the exact margins keep the bounds, and how far beyond them an unstable loop counts."""


@dataclass(frozen=True)
class TuningDemand:
    """What is asked for."""

    loops: tuple[str, ...]
    objective: Objective = "disturbance"
    bounds: Bounds = field(default_factory=Bounds)
    structures: tuple[str, ...] = ("kept",)
    mode_damping: tuple[ModeDamping, ...] = ()
    """Of shaft modes; where several speak of one mode the largest counts."""
    may_clamp: bool = False
    """Whether the largest step of the sequence may reach the clamp."""
    speed: float | None = None
    """Operating point; the sequence's where not given. [rad/s]"""
    torque: float | None = None
    """[N m]"""

    @property
    def gains(self) -> tuple[str, ...]:
        """Paths of the gains that tuning finds, as in a setting."""
        return tuple(f"loop.{name}.{gain}" for name in self.loops for gain in ("kp", "ki", "kd"))


@dataclass(frozen=True)
class Choice:
    """What is chosen for one loop, and out of what."""

    search: Search
    before: Loop
    """Whose structure was kept, where that was asked for."""
    proposals: tuple[Proposal, ...]
    options: tuple[Option, ...]
    option: Option
    design: Design
    """Of the option."""
    nearest: str
    """What is out of reach, and how near this comes; empty where the bounds are kept."""
    alone: bool
    """Whether Ms and Mt alone could be kept."""

    @property
    def feasible(self) -> bool:
        """Whether the bounds are kept."""
        return not self.nearest


Judge = Callable[[Description], tuple[Verdict, ...]]
"""What the scenario expects of itself, judged with changed gains."""


def _nothing_expected(_: Description) -> tuple[Verdict, ...]:
    return ()


@dataclass
class Tuner:
    """Finds the gains of the loops of a bench, one after the other."""

    corners: list[Corner]
    """With the loops as tuned so far."""
    demand: TuningDemand
    judge: Judge = _nothing_expected
    judgements: int = 0
    """Times that gains which hold all expectations may be judged anew to improve them."""
    plays: bool = False
    """Whether a backlash counts in what is judged."""
    _analysed: dict[tuple[Loop, str], LoopAnalysis] = field(default_factory=dict)
    """By the loop and the corner's label, as long as the other loops stay."""
    _designs: dict[Loop, Design] = field(default_factory=dict)
    """As long as the other loops stay."""
    _plants: dict[tuple[str, tuple[Loop, ...]], list[LoopPlant]] = field(default_factory=dict)
    """By the name of a loop, and the others."""

    def put(self, loop: Loop) -> None:
        """Take a tuned loop into every corner."""
        self._analysed.clear()
        self._designs.clear()
        self.corners = [replace(c, description=with_loop(c.description, loop)) for c in self.corners]

    def keeps(self, search: Search, loop: Loop) -> bool:
        """Return whether a loop keeps all bounds at every corner, Ms and Mt by the exact margins as well."""
        return search.admits(loop) and max(self.exactly(search, loop)) <= 1.0

    def search(self, name: str, room: float = 1.0) -> Search:
        """Return the search for the gains of a loop with all other loops as they are."""
        nominal = self.corners[0].description
        key = name, tuple(loop for loop in nominal.loop if loop.name != name)
        if key not in self._plants:
            point = self.demand.speed, self.demand.torque
            self._plants[key] = [
                plant for c in self.corners for plant in bench_plants(c.description, name, c.label, *point)
            ]
        plants = self._plants[key]
        bounds, loop = self.demand.bounds, loop_named(nominal, name)
        bounds = tighter(bounds, room)
        bounds = replace(bounds, mode_damping=mode_bounds(self.demand.mode_damping, plants[0], loop))
        step = excursion(nominal, loop)
        if step is not None and not self.demand.may_clamp:
            bounds = replace(bounds, command=loop.clamp, excursion=step)
        return Search(plants, bounds, self.demand.objective)

    def trials(
        self,
        search: Search,
        loop: Loop,
        rules: Sequence[Loop],
        names: Sequence[str] = (),
        *,
        nearby: bool = False,
    ) -> dict[str, Trial | str]:
        """Return the best controller of the structures asked for or named, or why there is none."""
        found: dict[str, Trial | str] = {}
        simpler: dict[str, Loop] = {}
        for name in names or self.demand.structures:
            family = STRUCTURES[name].family(loop, search.plants[0], simpler)
            if isinstance(family, str):
                found[name] = family
                continue
            held = [simpler[other] for other in HELD.get(name, ("pi",)) if other in simpler]
            others = (loop, *rules) if name == "kept" else held
            trial = best_of_family(search, family, others, nearby=nearby)
            found[name] = trial or "no gains keep the bounds"
            if trial is not None and name != "kept":
                simpler[name] = trial.loop
        return found

    def choose(
        self,
        name: str,
        old: Loop,
        settled: Settled | None,
        progress: Callable[[float], None] = lambda _: None,
    ) -> Choice:
        """Take the best controller of one loop, or the nearest trade-off, into every corner."""
        search = self.search(name)
        now = loop_named(self.corners[0].description, name)
        proposals = self.proposals(search, old)
        progress(0.2)
        if settled is not None:
            return self._as_settled(search, now, settled, proposals)
        rules = [proposal.loop for proposal in proposals if proposal.loop is not None]
        found = self.trials(search, now, rules)
        options = usable(self, search, now, [self.option(search, *item) for item in found.items()])
        chosen, nearest, alone = chosen_of(options), "", False
        if chosen is None:
            chosen, nearest, alone = self.trade_off(search, self.simplest(search, now))
        assert chosen.design is not None, "an option that is chosen has a design"
        self.put(chosen.design.loop)
        return Choice(search, now, proposals, tuple(options), chosen, chosen.design, nearest, alone)

    def _as_settled(
        self, search: Search, loop: Loop, settled: Settled, proposals: tuple[Proposal, ...]
    ) -> Choice:
        """Return a loop as it came out of tuning in turn: it is judged beside the others as they stand."""
        if not search.is_stable(loop):
            raise none_stable(loop, self.others(loop))
        design, nearest, alone = self.design(search, loop), "", False
        if not self.keeps(search, loop):
            missed = broken(search, loop)
            alone = bool(missed) and self.exactly(search, loop)[0] <= 1.0
            nearest = _nearest(design, search.bounds, missed if alone else (), " of the loops tuned in turn")
        cost = search.cost(loop)
        option = Option("settled", "tuned in turn", design, cost, "", caution=settled.caution)
        return Choice(search, loop, proposals, (option,), option, design, nearest, alone)

    def broken(self, loops: Sequence[Loop]) -> tuple[Verdict, ...]:
        """Return the expectations of the scenario that loops break."""
        description = self.corners[0].description
        for loop in loops:
            description = with_loop(description, loop)
        return tuple(verdict for verdict in self.judge(description) if verdict.status != "passed")

    def trade_off(self, search: Search, loop: Loop) -> tuple[Option, str, bool]:
        """Return the nearest trade-off as an option and in words, and whether Ms and Mt alone can be kept."""
        near = trade_off(search, loop)
        if near is None:
            links = (f"{plant.label}: {plant.link}" for plant in search.plants if plant.link)
            raise none_stable(loop, self.others(loop), next(links, ""))
        shaped = rounded(near.trial.loop)
        missed = broken(search, shaped) if near.alone else []
        kept = self.verified(search, near.trial.loop) if near.alone and not missed else None
        if kept is not None:
            return self.kept_option(search, self.demand.structures[0], kept), "", True
        design = self.design(search, shaped)
        option = Option("nearest", "nearest trade-off", design, search.cost(shaped), "")
        how = " by the exact margins of the bench" if near.alone else ""
        return option, _nearest(design, search.bounds, missed, how), near.alone

    def simplest(self, search: Search, loop: Loop) -> Loop:
        """Return the first controller of the first structure that is asked for, its gains open."""
        family = STRUCTURES[self.demand.structures[0]].family(loop, search.plants[0], {})
        shape = None if isinstance(family, str) else family.shape(np.array(family.starts[0]))
        return shape or loop

    def others(self, loop: Loop) -> list[str]:
        """Return the loops that may be tuned together with one."""
        loops = self.corners[0].description.loop
        return [entry.name for entry in loops if entry.limiter_of is None or entry.name == loop.name]

    def option(self, search: Search, name: str, trial: Trial | str) -> Option:
        """Return a structure as a line of the comparison, its bounds checked on the bench itself."""
        title = STRUCTURES[name].title
        if isinstance(trial, str):
            return Option(name, title, None, float("inf"), trial)
        loop = self.verified(search, trial.loop)
        if loop is None:
            return Option(name, title, None, float("inf"), "the exact margins of the bench break the bounds")
        return self.kept_option(search, name, loop)

    def kept_option(self, search: Search, name: str, loop: Loop) -> Option:
        """Return a controller of a structure that keeps the bounds as a line of the comparison."""
        return Option(name, STRUCTURES[name].title, self.design(search, loop), search.cost(loop), "")

    def verified(self, search: Search, loop: Loop) -> Loop | None:
        """Return the gains next to those of a loop that keep all bounds by the exact margins, if there are.

        The search knows a loop that ticks several times per hyperperiod by its fundamental response alone.
        Where the exact margins are worse it searches again, to bounds that are tighter by as much.
        """
        tight, share, faster = search, 1.0, 1.0
        for _ in range(_VERIFIED):
            near = pulled_back(loop, tight.admits)
            if near is None:
                return None
            beyond, short = self.exactly(search, near)
            if max(beyond, short) <= 1.0:
                return near
            share /= max(beyond * (1.0 + SAME), 1.0)
            faster *= max(short * (1.0 + SAME), 1.0)
            bounds, bandwidth = tighter(search.bounds, share), search.bounds.bandwidth
            bounds = replace(bounds, bandwidth=None if bandwidth is None else faster * bandwidth)
            tight = search.under(bounds, search.objective)
            trial = tight.gains(loop)
            if trial is None:
                return None
            loop = trial.loop
        return None

    def exactly(self, search: Search, loop: Loop) -> tuple[float, float]:
        """Return what the exact margins say, worst corner, each above 1 where a bound is broken.

        How far Ms and Mt are above 1 over how far they may be, and the bandwidth that is asked for over that
        which is reached.
        """
        bounds, beyond, short = search.bounds, 0.0, 0.0
        for margins in (self.analysis(loop, corner).margins for corner in self.corners):
            if not margins.stable:
                return _UNSTABLE, 0.0
            beyond = max(beyond, *_rooms(margins, bounds))
            if bounds.bandwidth is not None and margins.bandwidth is not None:
                short = max(short, bounds.bandwidth / margins.bandwidth)
        return beyond, short

    def analysis(self, loop: Loop, corner: Corner) -> LoopAnalysis:
        """Return a corner with a loop, analysed as the margins command does."""
        key = (loop, corner.label)
        if key not in self._analysed:
            description = with_loop(corner.description, loop)
            found = analyse_loops(description, [loop.name], self.demand.speed, self.demand.torque)
            self._analysed[key] = found[loop.name]
        return self._analysed[key]

    def design(self, search: Search, loop: Loop) -> Design:
        """Return a controller with what it does."""
        if loop in self._designs:
            return self._designs[loop]
        analysis = self.analysis(loop, self.corners[0])
        area = Search(search.plants, search.bounds, "disturbance").cost(loop)
        closed = closed_loop(search.plants[0], loop)
        small, disturbed = analysis.small_step(), closed.settled_step(1, 0.0)
        found = Design(loop, analysis, self.exact_figures(search, loop), area, small, disturbed)
        self._designs[loop] = found
        return found

    def exact_figures(self, search: Search, loop: Loop) -> Figures:
        """Return the figures of a loop, Ms and Mt by the exact margins where it ticks more than once."""
        found = figures(search.plants, loop)
        if len(search.plants[0].system.instants) == 1:
            return found
        ms, mt = [], []
        for number, corner in enumerate(self.corners):
            margins = self.analysis(loop, corner).margins
            ms.append(Peak(margins.ms, margins.ms_frequency, corner.label, number))
            mt.append(Peak(margins.mt, margins.mt_frequency, corner.label, number))
        worst_ms, worst_mt = (max(peaks, key=lambda peak: peak.value) for peaks in (ms, mt))
        return replace(found, ms=worst_ms, mt=worst_mt)

    def proposals(self, search: Search, loop: Loop) -> tuple[Proposal, ...]:
        """Return what the rules of the trade propose for a loop as the scenario has it."""
        plant = search.plants[0].under(loop)
        model, cycle = identify(plant, loop), None
        if model is not None:
            cycle = relay_on_bench(
                self.corners[0].description,
                loop.name,
                _RELAY * loop.clamp,
                min(_RELAY_CYCLES * 4.0 * max(model.delay, plant.period), _LONGEST_RELAY),
                self.demand.speed,
                self.demand.torque,
            )
        return propose(model, cycle, loop)


def tuned_bench(description: Description, demand: TuningDemand) -> tuple[Description, dict[str, bool]]:
    """Return a bench with the gains that `tune` gives its loops, and whether each keeps the bounds.

    A loop that cannot keep them has the nearest trade-off. There are no tolerances, and no evidence.

    Parameters
    ----------
    description : Description
        The bench.
    demand : TuningDemand
        What is asked for.

    Raises
    ------
    SimulationError
        As `tune` does.
    """
    tuner = Tuner([Corner("nominal", description)], demand)
    settled = settle(tuner) if len(demand.loops) > 1 else None
    kept = {
        name: tuner.choose(name, loop_named(description, name), settled).feasible for name in demand.loops
    }
    return tuner.corners[0].description, kept


def _nearest(design: Design, bounds: Bounds, missed: Sequence[str], how: str) -> str:
    """Return in words that bounds cannot be kept, what else is missed if it is that, and what is reached."""
    worst, asked = design.figures, f"Ms <= {bounds.ms:g} and Mt <= {bounds.mt:g}"
    text = f"{asked} can be kept, but not together with {' and '.join(missed)}"
    return (
        f"{text if missed else f'no gains{how} keep {asked}'}; nearest: Ms {worst.ms.value:.3f} "
        f"(at {worst.ms.frequency:.4g} Hz, {worst.ms.label}), Mt {worst.mt.value:.3f}"
    )


def _rooms(margins: Margins, bounds: Bounds) -> tuple[float, float]:
    """Return how far Ms and Mt are above 1 over how far they may be."""
    return (margins.ms - 1.0) / (bounds.ms - 1.0), (margins.mt - 1.0) / (bounds.mt - 1.0)
