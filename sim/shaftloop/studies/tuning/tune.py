"""Tuning: gains for a loop, or for several that act on each other through the shaft, with the evidence."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.tuning.bounds import Bounds
from shaftloop.studies.tuning.choosing import Choice, Judge, Tuner, TuningDemand
from shaftloop.studies.tuning.estimate import check_tuning
from shaftloop.studies.tuning.figures import figures
from shaftloop.studies.tuning.inturn import Settled, settle
from shaftloop.studies.tuning.outcome import binding, experiment
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop.studies.tuning.proof import Proof, prove
from shaftloop.studies.tuning.rattle import closed, rattle, touching
from shaftloop.studies.tuning.results import Baseline, Design, LoopTuning, Option, Tuning
from shaftloop.studies.tuning.rules import Proposal
from shaftloop.studies.tuning.search import Search
from shaftloop.studies.tuning.structures import STRUCTURES
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tradeoff import served, slowed

__all__ = ["tune"]


def tune(
    corners: Sequence[Corner],
    demand: TuningDemand,
    progress: Callable[[float], None] = lambda _: None,
    judge: Judge | None = None,
) -> Tuning:
    """Return gains that keep the bounds at every corner, with the evidence.

    Several loops are tuned in turn, each with the others as they are, until their gains stay.

    Parameters
    ----------
    corners : sequence of Corner
        The nominal bench first.
    demand : TuningDemand
        What is asked for.
    progress : callable
        Gets the share that is done.
    judge : callable, optional
        Judges what the scenario expects of itself on a bench. The loops are given gains that hold it all, if
        there are.

    Raises
    ------
    SimulationError
        Where the bench has no steady state at the operating point.
    """
    left = check_tuning([corner.description for corner in corners], demand.loops, demand.structures)
    whole, point = corners[0].description, (demand.speed, demand.torque)
    corners, apart = touching(corners, *point)

    def judged(bench: Description) -> tuple[Verdict, ...]:
        real = replace(whole, loop=bench.loop)
        found = rattle(real, *point)
        return (*(judge(real) if judge else ()), *([found.verdict] if found and found.fails else ()))

    tuner = Tuner(list(corners), demand, judged, left, bool(closed(whole)[1]))
    settled = settle(tuner) if len(demand.loops) > 1 else None
    found = {}
    for number, name in enumerate(demand.loops):

        def share(part: float, number: int = number) -> None:
            progress((number + part) / len(demand.loops))

        found[name] = _details(tuner, name, corners, settled, share)
    tuned = replace(whole, loop=tuner.corners[0].description.loop)
    kept = all(loop.feasible for loop in found.values())
    return Tuning(
        found,
        demand.objective,
        tuple(corner.label for corner in corners),
        tuned,
        1 if settled is None else settled.sweeps,
        judge(tuned) if judge is not None and kept else (),
        rattle(tuned, *point),
        apart,
    )


def _details(
    tuner: Tuner,
    name: str,
    original: Sequence[Corner],
    settled: Settled | None,
    progress: Callable[[float], None],
) -> LoopTuning:
    """Return all that is to say about one loop."""
    found = tuner.choose(name, loop_named(original[0].description, name), settled, progress)
    progress(0.6)
    search, design = found.search, found.design
    ways = () if found.feasible else tuple(_ways(tuner, found))
    nominal = Search(search.plants[:1], search.bounds)
    baselines = tuple(_baseline(search, nominal, proposal) for proposal in found.proposals)
    progress(0.8)
    return LoopTuning(
        name,
        _before(replace(tuner, corners=list(original), _analysed={}, _designs={}), name),
        found.option,
        found.options,
        baselines,
        search.bounds,
        found.feasible,
        (*binding(search, design), *_caution(found.option, tuner.plays)) if found.feasible else (),
        found.nearest,
        ways,
        *_proof(tuner, search, design),
    )


def _caution(option: Option, plays: bool) -> tuple[str, ...]:
    """Return that expectations bind, where they do."""
    if not option.caution:
        return ()
    swing = ", or that no backlash keeps it swinging" if plays else ""
    return (
        f"what the scenario expects of itself{swing}, which the gains of least cost break; these are "
        + option.caution,
    )


def _before(tuner: Tuner, name: str) -> Design | None:
    """Return a loop as it is, nothing where the bench is unstable with it."""
    search, loop = tuner.search(name), loop_named(tuner.corners[0].description, name)
    return tuner.design(search, loop) if search.is_stable(loop) else None


def _proof(tuner: Tuner, search: Search, design: Design) -> tuple[Proof | None, str]:
    """Return the proof of a design, and why there is none."""
    if not design.analysis.margins.stable:
        return None, "the bench is unstable with these gains"
    description = tuner.corners[0].description
    done = experiment(design, search.plants[0], description)
    try:
        return prove(description, done, design.analysis.margins.point), ""
    except SimulationError as error:
        return None, error.message


def _ways(tuner: Tuner, found: Choice) -> Iterator[str]:
    """Yield what was tried for a loop that cannot keep its bounds: what keeps them, and what does not."""
    if found.alone:
        yield "untried: `structures` all, which may reach further; or a looser bound"
        return
    search, loop, worst = found.search, found.before, found.design.figures
    slow = slowed(tuner.corners[0].description.loop, loop.name)
    if slow and len(tuner.demand.loops) == 1:
        others, verb = " and ".join(slow), "is" if len(slow) == 1 else "are"
        if _holds_beside(tuner, loop, slow):
            both = " ".join(f"`loops` {name}" for name in tuner.others(loop))
            yield f"loop {others} {verb} in the way: with a tenth of those gains the bounds can be kept"
            yield f"so tune them together: {both}"
        else:
            yield f"loop {others} {verb} not in the way: a tenth of those gains does not help"
    rest = [name for name in STRUCTURES if name != "kept" and name not in tuner.demand.structures]
    serving = [name for name in rest if served(search, loop, name)]
    if serving:
        yield "the bounds can be kept with " + " or ".join(f"`structures` {name}" for name in serving)
    elif rest:
        yield "no other structure was found to keep them (first guesses of every structure tried)"
    asked = [
        max(float(np.ceil(peak.value * 100.0) / 100.0), bound)
        for peak, bound in ((worst.ms, search.bounds.ms), (worst.mt, search.bounds.mt))
    ]
    if asked != [search.bounds.ms, search.bounds.mt]:
        yield f"the gains above keep `ms` {asked[0]:g} `mt` {asked[1]:g}"


def _holds_beside(tuner: Tuner, loop: Loop, slow: dict[str, Loop]) -> bool:
    """Return whether a loop can keep the bounds beside other loops that are slower."""
    corners = tuner.corners
    for other in slow.values():
        corners = [replace(c, description=with_loop(c.description, other)) for c in corners]
    try:
        search = Tuner(corners, tuner.demand).search(loop.name)
    except SimulationError:
        return False
    return search.under(search.bounds, "integral_gain").gains(loop) is not None


def _baseline(search: Search, nominal: Search, proposal: Proposal) -> Baseline:
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
