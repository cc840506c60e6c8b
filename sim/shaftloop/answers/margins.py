"""How much the loops stand: stability, margins, sensitivity and latency budget of every loop."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING

from shaftloop.analysis.budget import LatencyBudget, latency_budget
from shaftloop.analysis.cost import shared
from shaftloop.analysis.delay import DelayMargin, delay_margin
from shaftloop.analysis.freerunning import sweep_note
from shaftloop.analysis.handover import closed_state_space, opened_state_space
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.injection import Measured, measure_response
from shaftloop.analysis.joint import JointMargins, joint_figures, joint_margins
from shaftloop.analysis.limits import held_state, pressed
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.operating import OperatingPoint, operating_point, rest_note
from shaftloop.analysis.poles import Pole, closed_poles
from shaftloop.analysis.sineresponse import AtFrequency, at_frequency, check_frequency
from shaftloop.analysis.stepresponse import StepResponse
from shaftloop.analysis.stiffness import stiffest
from shaftloop.analysis.worstcase import (
    LoopAnalysis,
    MapPoint,
    Worst,
    analyse_loops,
    far_ends,
    operating_map,
    worse_elsewhere,
    worst_cases,
)
from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.bench.handles import LoopHandle
from shaftloop.cautions import cautions
from shaftloop.errors import CostError
from shaftloop.figures import Figure, by_name, grouped
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.figures import LOOP_FIGURES, loop_figures
from shaftloop.studies.tuning.tolerance import corners, read_tolerances
from shaftloop.studies.vary import MarginsDemand, Range, Variation, vary

if TYPE_CHECKING:
    import control

__all__ = [
    "FREE",
    "CornerMargins",
    "LoopAnswer",
    "Loopless",
    "MarginsAnswer",
    "find_margins",
    "touching_notes",
    "with_injection",
]

FREE = "nothing holds the speed, no loop and no drag: loops are judged without the motion of the whole line"
"""What is said of a free line."""
_DIFFER = 0.01
"""Difference between exact and fundamental gain margin that is worth a word."""


@dataclass(frozen=True)
class LoopAnswer:
    """All that was found for one loop."""

    analysis: LoopAnalysis
    step: StepResponse
    delay: DelayMargin
    budget: LatencyBudget | None
    budget_reason: str
    """Why there is no budget, empty where there is one."""
    worst: tuple[Worst, ...] = ()
    """Over the operating range; empty where it was not looked at."""
    measured: Measured | None = None
    """By an injection in the time simulation; None where there was none."""
    at: tuple[AtFrequency, ...] = ()
    """What it does at the frequencies asked for; empty where it is unstable."""
    elsewhere: tuple[Worst, ...] = ()
    """What is worse by more than 5 % at standstill, at the opposite torque or on the map, where looked at."""

    @property
    def margins(self) -> Margins:
        """At the operating point."""
        return self.analysis.margins

    @property
    def springs(self) -> bool:
        """Whether it is a virtual spring and damper."""
        return self._handle.parameters.damping > 0.0

    @cached_property
    def stiffest(self) -> float | None:
        """Of a virtual spring, where the bench becomes unstable (`analysis.stiffness`) [N m/rad]."""
        return stiffest(self.analysis.bench, self._handle, self.analysis.state) if self.springs else None

    @property
    def _handle(self) -> LoopHandle:
        return self.analysis.bench.bench.loops[self.margins.loop]

    def opened(self) -> "control.StateSpace":
        """Return the opened loop for python-control, one period of it a hyperperiod."""
        return opened_state_space(self.margins.system)

    def closed(self) -> "control.StateSpace":
        """Return the closed loop for python-control, one period of it a hyperperiod."""
        return closed_state_space(self.margins.system)

    @property
    def figures(self) -> dict[str, Figure]:
        """Single figures by name."""
        return loop_figures(self.analysis, list(LOOP_FIGURES), self.delay, self.step)


@dataclass(frozen=True)
class Loopless:
    """Where a bench without a loop was looked at."""

    point: OperatingPoint
    hyperperiod: float
    """[s]"""


@dataclass(frozen=True)
class CornerMargins:
    """The margins of the loops where every toleranced value is at one of its ends."""

    label: str
    margins: dict[str, Margins]
    """By loop."""


@dataclass(frozen=True)
class MarginsAnswer(Answer):
    """All that was found for the loops of a bench."""

    loops: dict[str, LoopAnswer]
    points: tuple[MapPoint, ...] = ()
    """Over the operating range; empty where it was not looked at."""
    variation: Variation | None = None
    poles: tuple[Pole, ...] = ()
    """Of the closed bench, at the phases of free-running clocks that are worst for the first loop."""
    corners: tuple[CornerMargins, ...] = ()
    """At the corners of tolerances, where they were asked for."""
    loopless: Loopless | None = None
    """Where the bench has no loop, so that poles are all there is."""
    joint: JointMargins | None = None
    """What the loops stand together, where there are several, at the phases that are worst for the first."""

    @property
    def figures(self) -> dict[str, Figure]:
        """Figures of every loop, e.g. ``torque.ms``, and of all together, e.g. ``joint.ms``."""
        found = {} if self.joint is None else grouped("joint", by_name(joint_figures(self.joint)))
        for loop, answer in self.loops.items():
            found |= grouped(loop, answer.figures)
        return found

    @property
    def cautions(self) -> tuple[str, ...]:
        """How to do on a real bench what was done here."""
        measured = any(loop.measured is not None for loop in self.loops.values())
        return cautions("injection") if measured else ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What limits the meaning of the margins."""
        bound = sweep_note(self.scenario.description)
        found = [bound] if bound else []
        speeds = [loop.margins.point.speed for loop in self.loops.values()]
        looked_at = [worst.point for loop in self.loops.values() for worst in loop.elsewhere]
        speeds += [point.speed for point in (*looked_at, *self.points) if point is not None]
        if rest := rest_note(self.scenario.description, speeds):
            found.append(rest)
        if any(loop.margins.system.free for loop in self.loops.values()):
            found.append(FREE)
        first = next(iter(self.loops.values()), None)
        if first is not None:
            found += touching_notes(first.analysis)
        limited = dict.fromkeys(name for loop in self.loops.values() for name in loop.analysis.limited)
        links = (loop.analysis.bench.bench.link.rings(loop.analysis.state) for loop in self.loops.values())
        found += dict.fromkeys(words for words in links if words)
        found += [
            f"{machine} runs at its voltage limit here: its current control cannot follow every command"
            for machine in limited
        ]
        return (*found, *(note for name in self.loops for note in self._of_loop(name)))

    def _of_loop(self, name: str) -> list[str]:
        margins, notes = self.loops[name].margins, []
        if not margins.stable:
            notes.append(
                f"the bench is unstable (largest eigenvalue {margins.largest_eigenvalue:.6f}): "
                f"the margins of {name} are those of an unstable loop; a gain margin is the factor that "
                "makes it stable"
            )
        exact, simple = margins.gain_margin, margins.fundamental_gain_margin
        if margins.ticks > 1 and _differ(exact, simple):
            said = " and ".join("none" if value is None else f"{value:.4g}" for value in (exact, simple))
            notes.append(
                f"{name} ticks {margins.ticks} times per hyperperiod: its exact gain margin and that of the "
                f"fundamental response differ by more than 1 % ({said}); trust the exact one, not the picture"
            )
        return notes


def touching_notes(analysis: LoopAnalysis) -> list[str]:
    """Return on which flank every backlash counts as touching, and under what torque."""
    return [
        f"{part} counts as touching on the flank that its {'left' if torque > 0.0 else 'right'} side "
        f"drives, under {abs(torque):.4g} N m; where the torque turns round, the play opens: see a run"
        for part, torque in pressed(analysis.bench.bench, analysis.state).items()
    ]


def find_margins(
    scenario: Scenario,
    demand: MarginsDemand,
    *,
    everywhere: bool = False,
    varied: Range | None = None,
    at: Sequence[float] = (),
    tolerances: Sequence[str] = (),
    watch: Watch = unwatched,
) -> MarginsAnswer:
    """Return stability and margins of loops, of a bench without a loop its poles.

    Also the worst case `everywhere` over the operating range, the margins against a `varied` value of the
    scenario, what every loop does `at` some frequencies [Hz], and the margins at the corners of tolerances:
    ``PATH=±20%``, ``PATH=LO..HI`` or a fit.json of identify.

    Raises
    ------
    ScenarioError
        Where a loop is too slow for a frequency.
    SimulationError
        Where a limit prevents the operating point.
    """
    rates = {loop.name: float(loop.rate) for loop in scenario.description.loop}
    for name, frequency in product(demand.loops, at):
        check_frequency(frequency, rates[name], f"loop {name}")
    if not demand.loops:
        bench = HyperMap(scenario.description)
        point = operating_point(bench.bench, demand.speed, demand.torque)
        poles = closed_poles(bench, held_state(bench, point))
        return MarginsAnswer(scenario, {}, poles=poles, loopless=Loopless(point, bench.hyperperiod))
    variation = None
    if varied is not None:
        with watch("varying") as progress:
            variation = vary(scenario, varied, demand, progress)
    at_corners = _at_corners(scenario, demand, tolerances, watch) if tolerances else ()
    found = analyse_loops(scenario.description, demand.loops, demand.speed, demand.torque)
    with shared(len(found)):
        budgets = {name: _budget(analysis) for name, analysis in found.items()}
    first = next(iter(found.values()))
    poles = closed_poles(first.bench, first.state)
    points = operating_map(found) if everywhere else ()
    free = demand.speed is None and demand.torque is None
    ends = points or (far_ends(found) if free else ())
    loops = {
        name: replace(
            _details(analysis, *budgets[name], worst_cases(points, name) if points else ()),
            elsewhere=worse_elsewhere(ends, analysis.margins),
            at=tuple(
                at_frequency(analysis.bench, analysis.state, analysis.margins, frequency)
                for frequency in (at if analysis.margins.stable else ())
            ),
        )
        for name, analysis in found.items()
    }
    joint = joint_margins(first.bench, first.state, {name: loop.margins for name, loop in found.items()})
    return MarginsAnswer(scenario, loops, points, variation, poles, at_corners, joint=joint)


def _at_corners(
    scenario: Scenario, demand: MarginsDemand, tolerances: Sequence[str], watch: Watch
) -> tuple[CornerMargins, ...]:
    """Return the margins at the corners of tolerances."""
    source = scenario.path, scenario.settings
    found = []
    with watch("looking at the corners of the tolerances") as progress:
        benches = corners(*source, read_tolerances(tolerances, *source))[1:]
        for done, corner in enumerate(benches, 1):
            with shared(len(benches)):
                loops = analyse_loops(corner.description, demand.loops, demand.speed, demand.torque)
            found.append(CornerMargins(corner.label, {name: loop.margins for name, loop in loops.items()}))
            if progress is not None:
                progress(done / len(benches))
    return tuple(found)


def with_injection(answer: MarginsAnswer, kind: str, *, noise: bool = False) -> MarginsAnswer:
    """Return an answer with every stable loop measured by an injection in the time simulation.

    Its kind is ``multisine``, ``chirp`` or ``stepped_sine``, into the full bench where noise and quantiser
    count.
    """

    def measured(found: LoopAnswer) -> LoopAnswer:
        if not found.margins.stable:
            return found
        description, margins = found.analysis.description, found.margins
        response = measure_response(description, margins.loop, margins.point, kind=kind, smooth=not noise)
        return replace(found, measured=response)

    return replace(answer, loops={name: measured(found) for name, found in answer.loops.items()})


def _budget(analysis: LoopAnalysis) -> tuple[LatencyBudget | None, str]:
    """Return the latency budget of a loop, and why there is none."""
    try:
        budget = latency_budget(analysis.description, analysis.margins, analysis.known)
    except CostError as error:  # Its benches tick more often than the one whose margins were found.
        return None, "; ".join(str(error).splitlines())
    return budget, "" if budget else "|L| never crosses 1"


def _details(
    analysis: LoopAnalysis, budget: LatencyBudget | None, reason: str, worst: tuple[Worst, ...]
) -> LoopAnswer:
    """Return a loop with what takes further runs of its bench."""
    description, margins = analysis.description, analysis.margins
    return LoopAnswer(
        analysis,
        analysis.small_step(),
        delay_margin(description, margins, analysis.known),
        budget,
        reason,
        worst,
    )


def _differ(exact: float | None, simple: float | None) -> bool:
    if exact is None or simple is None:
        return exact is not simple
    return abs(simple / exact - 1.0) > _DIFFER
