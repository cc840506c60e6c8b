"""What a tuning found."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.stepresponse import StepResponse
from shaftloop.analysis.worstcase import LoopAnalysis
from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.tuning.bounds import Bounds
from shaftloop.studies.tuning.closedloop import Response
from shaftloop.studies.tuning.figures import Figures
from shaftloop.studies.tuning.proof import Proof
from shaftloop.studies.tuning.rattle import Rattle
from shaftloop.studies.tuning.search import Objective

__all__ = ["Baseline", "Design", "LoopTuning", "Option", "Tuning"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Design:
    """A controller and what it does on the bench, by the functions of the margins command."""

    loop: Loop
    analysis: LoopAnalysis
    """Nominal."""
    figures: Figures
    """The worst of all corners."""
    error_area: float
    """Integral of |set-point − reading| after a step of torque on the command, per N m, worst corner.
    [unit of the reading · s/(N m)]"""
    step: StepResponse
    """A small step of the set-point, nominal."""
    disturbed: Response
    """After a step of 1 N m on the command, nominal."""


@dataclass(frozen=True)
class Option:
    """One control structure in the comparison."""

    name: str
    title: str
    design: Design | None
    """Nothing where the structure does not apply or cannot keep the bounds."""
    cost: float
    """By the objective; infinite where there is no design."""
    reason: str
    """Why there is no design; empty where there is one."""
    broken: tuple[Verdict, ...] = ()
    """Expectations of the scenario that do not hold with it; looked at only where it might be recommended."""
    caution: str = ""
    """Which tighter bounds or other objective its gains were found with, so that the expectations hold."""


@dataclass(frozen=True)
class Baseline:
    """A rule of the trade on this plant."""

    rule: str
    source: str
    loop: Loop | None
    """Nothing where the rule does not apply."""
    figures: Figures | None
    admitted: bool
    """Whether it keeps all bounds."""
    cost: float | None
    """By the objective; nothing where unstable."""
    factor: float | None
    """Integral gain of the optimum at the rule's own Ms and Mt over the rule's; nothing where unstable."""
    reason: str
    """Why it does not apply, or what was changed; may be empty."""


@dataclass(frozen=True)
class LoopTuning:
    """What was found for one loop."""

    name: str
    before: Design | None
    """As the scenario has it; nothing where that bench is unstable."""
    chosen: Option
    """The recommended structure; where nothing keeps the bounds, the nearest trade-off."""
    options: tuple[Option, ...]
    """All structures that were asked for, the simplest first."""
    baselines: tuple[Baseline, ...]
    bounds: Bounds
    feasible: bool
    binding: tuple[str, ...]
    """Bounds that the result touches, with corner and frequency."""
    nearest: str
    """The nearest reachable trade-off where the bounds cannot be kept; else empty."""
    ways: tuple[str, ...]
    """What was found to keep the bounds, or not to, where the loop as asked for cannot."""
    proof: Proof | None
    """Time simulation against prediction."""
    unproven: str = ""
    """Why there is no proof; empty where there is one."""


@dataclass(frozen=True)
class Tuning:
    """What was found for the loops of a bench."""

    loops: dict[str, LoopTuning]
    objective: Objective
    corners: tuple[str, ...]
    description: Description
    """The bench with the tuned loops."""
    sweeps: int
    """Times the loops were tuned in turn; 1 for a single loop."""
    verdicts: tuple[Verdict, ...] = ()
    """What the scenario expects of itself, judged with the gains found; empty where they keep no bounds."""
    rattle: Rattle | None = None
    """What a backlash does at zero torque; nothing without one, or without a loop that controls a torque."""
    apart: tuple[str, ...] = ()
    """Parts whose flanks nothing presses at the operating point: linear figures count them as touching."""

    @property
    def feasible(self) -> bool:
        """Whether every loop keeps its bounds."""
        return all(loop.feasible for loop in self.loops.values())

    @property
    def broken(self) -> tuple[Verdict, ...]:
        """What the scenario expects of itself and does not hold with the gains found."""
        return tuple(verdict for verdict in self.verdicts if verdict.status != "passed")

    @property
    def recommended(self) -> bool:
        """Whether the gains may be used: bounds and expectations hold, and no run was seen to fail."""
        proven = all(loop.proof is not None for loop in self.loops.values())
        return self.feasible and not self.broken and not self.rattles and proven

    @property
    def rattles(self) -> bool:
        """Whether a backlash keeps the line swinging at zero torque."""
        return self.rattle is not None and self.rattle.fails
