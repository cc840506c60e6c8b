"""Tuning: gains for a loop, or for several that act on each other through the shaft, with the evidence."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from shaftloop.analysis.stepresponse import step_response
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.control.parameters import Loop
from shaftloop.errors import SimulationError
from shaftloop.studies.tuning.controller import with_gains
from shaftloop.studies.tuning.family import best_of_family
from shaftloop.studies.tuning.figures import figures
from shaftloop.studies.tuning.identify import identify
from shaftloop.studies.tuning.outcome import DIGITS, binding, distance, excursion, experiment, rounded
from shaftloop.studies.tuning.plant import bench_plants, loop_named, with_loop
from shaftloop.studies.tuning.proof import Proof, prove
from shaftloop.studies.tuning.relay import relay_on_bench
from shaftloop.studies.tuning.results import Baseline, Design, LoopTuning, Option, Tuning
from shaftloop.studies.tuning.rules import Proposal, propose
from shaftloop.studies.tuning.search import Bounds, Objective, Search, Trial
from shaftloop.studies.tuning.structures import HELD, STRUCTURES
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tradeoff import broken, served, slowed, trade_off

__all__ = ["SERVES", "Demand", "tune"]

SERVES = 1.1
"""The simplest structure within this factor of the best cost is recommended."""
_SWEEPS = 6
_SAME = 1e-3
"""Change of the gains at which loops that are tuned in turn have found each other."""
_RELAY, _RELAY_CYCLES, _LONGEST_RELAY = 0.05, 15.0, 1.5
"""Swing of the relay over the clamp, periods that it runs at least, and the time at most [s]."""
_TIGHTER = (0.998, 0.99, 0.97)
"""Shares of the room above 1 that loops tuned in turn are given, until the result keeps the bounds."""


@dataclass(frozen=True)
class Demand:
    """What is asked for."""

    loops: tuple[str, ...]
    objective: Objective = "disturbance"
    bounds: Bounds = field(default_factory=Bounds)
    structures: tuple[str, ...] = ("kept",)
    may_clamp: bool = False
    """Whether the largest step of the sequence may reach the clamp."""
    speed: float | None = None
    """Operating point; the sequence's where not given. [rad/s]"""
    torque: float | None = None
    """[N m]"""


def tune(
    corners: Sequence[Corner], demand: Demand, progress: Callable[[float], None] = lambda _: None
) -> Tuning:
    """Return gains that keep the bounds at every corner, with the evidence.

    Several loops are tuned in turn, each with the others as they are, until their gains stay.

    Parameters
    ----------
    corners : sequence of Corner
        The nominal bench first.
    demand : Demand
        What is asked for.
    progress : callable
        Gets the share that is done.

    Raises
    ------
    SimulationError
        Where the bench has no steady state at the operating point.
    """
    study, settled, sweeps = _Study(list(corners), demand), False, 1
    if len(demand.loops) > 1:
        settled, sweeps = study.settle()
    found = {}
    for number, name in enumerate(demand.loops):

        def share(part: float, number: int = number) -> None:
            progress((number + part) / len(demand.loops))

        found[name] = study.details(name, corners, settled, share)
    return Tuning(
        found,
        demand.objective,
        tuple(corner.label for corner in corners),
        study.corners[0].description,
        sweeps,
    )


@dataclass
class _Study:
    corners: list[Corner]
    """With the loops as tuned so far."""
    demand: Demand
    _analysed: dict[tuple[Loop, str], LoopAnalysis] = field(default_factory=dict)
    """By the loop and the corner's label, as long as the other loops stay."""

    def put(self, loop: Loop) -> None:
        """Take a tuned loop into every corner."""
        self._analysed.clear()
        self.corners = [replace(c, description=with_loop(c.description, loop)) for c in self.corners]

    def settle(self) -> tuple[bool, int]:
        """Tune the loops in turn until their gains stay; return whether all keep the bounds, and the sweeps.

        The loops are tuned to bounds a little tighter than those asked for: each moves the others' margins.
        """
        sweep = 0
        for tighter in _TIGHTER:
            moved, last = np.inf, sweep + _SWEEPS
            while sweep < last and moved >= _SAME:
                sweep, moved = sweep + 1, 0.0
                for name in self.demand.loops:
                    moved = max(moved, self.improve(name, tighter))
            if all(self.holds(name) for name in self.demand.loops):
                return True, sweep
        return False, sweep

    def improve(self, name: str, tighter: float) -> float:
        """Tune one loop with the others as they are, and return by how much its gains moved."""
        old = loop_named(self.corners[0].description, name)
        search = self.search(name, tighter)
        trial = _recommended(self.trials(search, old, ()))
        if trial is None:
            near = trade_off(search, old)
            if near is None:
                return 0.0
            trial = near.trial
        new = rounded(trial.loop)
        if search.admits(old) and search.cost(old) <= search.cost(new) * (1.0 + _SAME):
            return 0.0
        self.put(new)
        return distance(old, new)

    def holds(self, name: str) -> bool:
        """Return whether a loop, as it is now, keeps the bounds at every corner."""
        loop, search = loop_named(self.corners[0].description, name), self.search(name)
        return search.admits(loop) and all(self.keeps(search, loop, corner) for corner in self.corners)

    def search(self, name: str, tighter: float = 1.0) -> Search:
        """Return the search for the gains of a loop with all other loops as they are."""
        plants = [
            plant
            for corner in self.corners
            for plant in bench_plants(
                corner.description, name, corner.label, self.demand.speed, self.demand.torque
            )
        ]
        nominal = self.corners[0].description
        bounds, loop = self.demand.bounds, loop_named(nominal, name)
        # No bound goes below 1: at high frequencies nothing is left of L, at low ones nothing of S.
        bounds = replace(bounds, ms=1.0 + tighter * (bounds.ms - 1.0), mt=1.0 + tighter * (bounds.mt - 1.0))
        step = excursion(nominal, loop)
        if step is not None and not self.demand.may_clamp:
            bounds = replace(bounds, command=loop.clamp, excursion=step)
        return Search(plants, bounds, self.demand.objective)

    def trials(self, search: Search, loop: Loop, rules: Sequence[Loop]) -> dict[str, Trial | str]:
        """Return the best controller of every structure, or why there is none."""
        found: dict[str, Trial | str] = {}
        simpler: dict[str, Loop] = {}
        for name in self.demand.structures:
            family = STRUCTURES[name].family(loop, search.plants[0], simpler)
            if isinstance(family, str):
                found[name] = family
                continue
            held = [simpler[other] for other in HELD.get(name, ("pi",)) if other in simpler]
            others = (loop, *rules) if name == "kept" else held
            trial = best_of_family(search, family, others)
            found[name] = trial or "no gains keep the bounds"
            if trial is not None and name != "kept":
                simpler[name] = trial.loop
        return found

    def details(
        self, name: str, original: Sequence[Corner], settled: bool, progress: Callable[[float], None]
    ) -> LoopTuning:
        """Return all that is to say about one loop."""
        search = self.search(name)
        old = loop_named(original[0].description, name)
        now = loop_named(self.corners[0].description, name)
        proposals = self.proposals(search, old)
        progress(0.2)
        if settled:
            design = self.design(search, now)
            options = [Option("settled", "tuned in turn", design, search.cost(now), "")]
        else:
            rules = [proposal.loop for proposal in proposals if proposal.loop is not None]
            found = self.trials(search, now, rules)
            options = [self.option(search, structure, trial) for structure, trial in found.items()]
        progress(0.6)
        chosen, nearest = _chosen(options), ""
        ways: tuple[str, ...] = ()
        feasible = chosen is not None
        if chosen is None:
            chosen, nearest, ways = self.trade_off(search, now)
            feasible = not nearest
        assert chosen.design is not None, "an option that is chosen has a design"
        self.put(chosen.design.loop)
        nominal = Search(search.plants[:1], search.bounds)
        baselines = tuple(self.baseline(search, nominal, proposal) for proposal in proposals)
        progress(0.8)
        return LoopTuning(
            name,
            _Study(list(original), self.demand).before(name),
            chosen,
            tuple(options),
            baselines,
            search.bounds,
            feasible,
            binding(search, chosen.design) if feasible else (),
            nearest,
            ways,
            self.proof(search, chosen.design),
        )

    def before(self, name: str) -> Design | None:
        """Return a loop as it is, nothing where the bench is unstable with it."""
        search, loop = self.search(name), loop_named(self.corners[0].description, name)
        return self.design(search, loop) if search.is_stable(loop) else None

    def proof(self, search: Search, design: Design) -> Proof | None:
        """Return the proof of a design, nothing where the bench is unstable."""
        if not design.analysis.margins.stable:
            return None
        description = self.corners[0].description
        done = experiment(design, search.plants[0], description)
        return prove(description, done, design.analysis.margins.point)

    def trade_off(self, search: Search, loop: Loop) -> tuple[Option, str, tuple[str, ...]]:
        """Return the nearest trade-off as an option and in words, and ways to keep the bounds."""
        near = trade_off(search, loop)
        if near is None:
            raise SimulationError(
                f"no gains of loop {loop.name} make the bench stable with the other loops as they are",
                "tune the other loop first, or both together: --loop " + " --loop ".join(self.others(loop)),
            )
        shaped = rounded(near.trial.loop)
        design = self.design(search, shaped)
        option = Option("nearest", "nearest trade-off", design, search.cost(shaped), "")
        if search.admits(shaped) and all(self.keeps(search, shaped, corner) for corner in self.corners):
            return replace(option, title="as the scenario has it, other gains"), "", ()
        worst, bounds = design.figures, search.bounds
        text = f"no gains keep Ms <= {bounds.ms:g} and Mt <= {bounds.mt:g}"
        if near.alone:
            text = f"Ms <= {bounds.ms:g} and Mt <= {bounds.mt:g} can be kept, but not together with "
            text += " and ".join(broken(search, shaped))
        text += (
            f"; nearest: Ms {worst.ms.value:.3f} (at {worst.ms.frequency:.4g} Hz, {worst.ms.label}), "
            f"Mt {worst.mt.value:.3f}"
        )
        if near.alone:
            return option, text, ("untried: --structure all, which may reach further; or a looser bound",)
        return option, text, tuple(self.ways(search, loop, max(worst.ms.value, worst.mt.value)))

    def ways(self, search: Search, loop: Loop, reached: float) -> Iterator[str]:
        """Yield what was tried for a loop that cannot keep its bounds: what keeps them, and what does not."""
        slow = slowed(self.corners[0].description.loop, loop.name)
        if slow and len(self.demand.loops) == 1:
            others, verb = " and ".join(slow), "is" if len(slow) == 1 else "are"
            if self.holds_beside(loop, slow):
                both = " ".join(f"--loop {name}" for name in self.others(loop))
                yield f"loop {others} {verb} in the way: with a tenth of those gains the bounds can be kept"
                yield f"so tune them together: {both}"
            else:
                yield f"loop {others} {verb} not in the way: a tenth of those gains does not help"
        rest = [name for name in STRUCTURES if name != "kept" and name not in self.demand.structures]
        found = [name for name in rest if served(search, loop, name)]
        if found:
            yield "the bounds can be kept with " + " or ".join(f"--structure {name}" for name in found)
        elif rest:
            yield "no other structure was found to keep them (first guesses of every structure tried)"
        if reached > max(search.bounds.ms, search.bounds.mt):
            asked = np.ceil(reached * 100.0) / 100.0
            yield f"the gains above keep --ms {asked:g} --mt {asked:g}"

    def holds_beside(self, loop: Loop, slow: dict[str, Loop]) -> bool:
        """Return whether a loop can keep the bounds beside other loops that are slower."""
        corners = self.corners
        for other in slow.values():
            corners = [replace(c, description=with_loop(c.description, other)) for c in corners]
        try:
            search = _Study(corners, self.demand).search(loop.name)
        except SimulationError:
            return False
        return search.under(search.bounds, "integral_gain").gains(loop) is not None

    def others(self, loop: Loop) -> list[str]:
        """Return the loops that may be tuned together with one."""
        loops = self.corners[0].description.loop
        return [entry.name for entry in loops if entry.limiter_of is None or entry.name == loop.name]

    def option(self, search: Search, name: str, trial: Trial | str) -> Option:
        """Return a structure as a line of the comparison, its bounds checked on the bench itself."""
        title = STRUCTURES[name].title
        if isinstance(trial, str):
            return Option(name, title, None, float("inf"), trial)
        loop = self.verified(search, rounded(trial.loop))
        if loop is None:
            return Option(name, title, None, float("inf"), "the exact margins of the bench break the bounds")
        return Option(name, title, self.design(search, loop), search.cost(loop), "")

    def verified(self, search: Search, loop: Loop) -> Loop | None:
        """Return a loop pulled back, if need be, until the exact margins keep the bounds at every corner."""
        for step in 10.0**-DIGITS * 2.0 ** np.arange(12):
            if search.admits(loop) and all(self.keeps(search, loop, corner) for corner in self.corners):
                return loop
            loop = rounded(with_gains(loop, loop.kp.value, loop.ki.value * (1.0 - step)))
        return None

    def keeps(self, search: Search, loop: Loop, corner: Corner) -> bool:
        """Return whether a corner keeps Ms and Mt, by the functions of the margins command."""
        margins = self.analysis(loop, corner).margins
        return margins.stable and margins.ms <= search.bounds.ms and margins.mt <= search.bounds.mt

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
        analysis = self.analysis(loop, self.corners[0])
        handle = analysis.bench.bench.loops[loop.name]
        margins = analysis.margins
        step = step_response(
            analysis.bench, handle, margins.point, analysis.state, margins.largest_eigenvalue
        )
        area = Search(search.plants, search.bounds, "disturbance").cost(loop)
        return Design(loop, analysis, figures(search.plants, loop), area, step)

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

    def baseline(self, search: Search, nominal: Search, proposal: Proposal) -> Baseline:
        """Return a rule with its figures, and how much more the optimum gets at the rule's own Ms and Mt."""
        loop, rule, source, reason = proposal.loop, proposal.rule, proposal.source, proposal.reason
        if loop is None:
            return Baseline(rule, source, None, None, False, None, None, reason)
        worst = figures(nominal.plants, loop)
        if not worst.stable:
            return Baseline(rule, source, loop, worst, False, None, None, reason)
        slack = 1.0 + 1e-9
        own = Bounds(ms=worst.ms.value * slack, mt=max(worst.mt.value, 1.0 + 1e-6) * slack)
        best = nominal.under(own, "integral_gain").gains(loop, baselines=[loop])
        factor = None if best is None else best.loop.ki.value / loop.ki.value
        return Baseline(rule, source, loop, worst, search.admits(loop), search.cost(loop), factor, reason)


def _chosen(options: Sequence[Option]) -> Option | None:
    """Return the simplest structure that serves."""
    costs = [option.cost for option in options if option.design is not None]
    if not costs:
        return None
    return next(option for option in options if option.design and option.cost <= SERVES * min(costs))


def _recommended(trials: dict[str, Trial | str]) -> Trial | None:
    kept = [trial for trial in trials.values() if isinstance(trial, Trial)]
    if not kept:
        return None
    return next(trial for trial in kept if trial.cost <= SERVES * min(other.cost for other in kept))
