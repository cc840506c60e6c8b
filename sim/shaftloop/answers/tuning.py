"""Which gains are best within stated bounds, and whether they may be used."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.analysis.freerunning import sweep_note
from shaftloop.analysis.operating import rest_note
from shaftloop.analysis.simulation import check_runs
from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.answers.margins import FREE, touching_notes
from shaftloop.cautions import cautions
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.checks.run import judge_of_changes
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.results import LoopTuning, Tuning
from shaftloop.studies.tuning.tolerance import corners, read_tolerances
from shaftloop.studies.tuning.tune import tune

__all__ = ["TuneAnswer", "find_gains"]

_MUCH = 30.0
"""Overshoot that is worth a word. [%]"""
_ONE_BY_ONE = "tune one loop after the other, each with `write`, which looks for gains that hold them"
"""Several loops are only judged in the end."""
_RUNS = 10
"""Runs of the sequence that it takes to judge what a scenario expects, about."""
_NOISY = 0.05
"""Rms of the command by noise over the clamp that is worth a word; common practice, no source."""

_NOTHING = 0.01
"""Share by which tuning must change what is optimised to be worth new gains."""


@dataclass(frozen=True)
class TuneAnswer(Answer):
    """A finished tuning."""

    tuning: Tuning
    demand: TuningDemand
    tolerances: tuple[str, ...]
    """As stated."""

    @property
    def verdict(self) -> str:
        """Whether the gains may be used, in words."""
        tuning = self.tuning
        if not tuning.feasible:
            missed = [name for name, entry in tuning.loops.items() if not entry.feasible]
            return f"do not use: the bounds are not kept by loop {' and '.join(missed)}"
        if tuning.rattles:
            return f"do not use: {self.rattling}"
        failed = {name: entry.unproven for name, entry in tuning.loops.items() if entry.proof is None}
        if failed:
            return "do not use: " + "; ".join(f"proof of {name}: {why}" for name, why in failed.items())
        count, broken = len(tuning.verdicts), len(tuning.broken)
        if broken:
            text = f"do not use: {broken} of {count} expectations of the scenario do not hold"
            return text if len(tuning.loops) == 1 else f"{text}; {_ONE_BY_ONE}"
        held = f"all {count} expectations of the scenario hold" if count else "the scenario expects nothing"
        idle = [name for name, entry in tuning.loops.items() if self._idle(entry)]
        text = f"may be used: all bounds are kept, {held}"
        if not idle:
            return text
        return f"{text}; over the gains that it has, loop {' and '.join(idle)} wins less than 1 %"

    @property
    def rattling(self) -> str:
        """What a backlash does at zero torque, in words; empty where nothing was looked at."""
        found = self.tuning.rattle
        if found is None:
            return ""
        names, verb = " and ".join(found.parts), "lets" if len(found.parts) == 1 else "let"
        start = f"run with its backlash, at a torque set-point of 0 {names} {verb}"
        if math.isinf(found.swing):
            return f"{start} the bench diverge"
        size = f"{start} the true torque swing by {found.swing:.3g} N m"
        if found.dying:
            return f"{size}, which dies out"
        without = "" if found.closed is None else f"; without it by {found.closed:.3g} N m"
        return f"{size} at {found.frequency:.3g} Hz{without}; {found.allowed:.3g} N m allowed"

    def _idle(self, entry: LoopTuning) -> bool:
        """Return whether tuning changes what was optimised for a loop by next to nothing."""
        now, before, objective = entry.chosen.design, entry.before, self.tuning.objective
        if now is None or before is None:
            return False
        if objective == "disturbance":
            pair = now.error_area, before.error_area
        elif objective == "integral_gain":
            pair = float(now.loop.ki.value), float(before.loop.ki.value)
        else:
            return False
        return abs(pair[0] - pair[1]) < _NOTHING * abs(pair[1])

    @property
    def cautions(self) -> tuple[str, ...]:
        """How to try gains, where there are some to try."""
        return cautions("gains", "loose parts", "lockout") if self.tuning.recommended else ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader of the gains must know."""
        bound = sweep_note(self.scenario.description)
        found = [bound] if bound else []
        designs = [entry.chosen.design for entry in self.tuning.loops.values()]
        speeds = [design.analysis.margins.point.speed for design in designs if design is not None]
        if rest := rest_note(self.scenario.description, speeds):
            found.append(rest)
        if self.tuning.apart:
            found.append(
                f"nothing presses the flanks of {' and '.join(self.tuning.apart)} at this operating point: "
                "linear figures and proof count them as touching"
            )
        elif (first := next(filter(None, designs), None)) is not None:
            found += touching_notes(first.analysis)
        rattle = self.tuning.rattle
        if rattle is not None and not rattle.fails and not rattle.rests:
            found.append(self.rattling)
        for name, entry in self.tuning.loops.items():
            design = entry.chosen.design
            overshoot = None if design is None else design.step.overshoot
            if design is not None and overshoot is not None and overshoot > _MUCH:
                ramp = "ramp the set-point (setpoint_rate)"
                if design.loop.setpoint_rate is not None:
                    ramp = "lower its setpoint_rate"
                found.append(
                    f"{name}: a small step of the set-point overshoots by {overshoot:.0f} %; {ramp}, "
                    "filter it (setpoint_filter, see `structures` pi_feedforward) or tune with "
                    "`objective` setpoint"
                )
            noise = {} if design is None else design.figures.command_noise
            total = math.hypot(*noise.values())
            if design is not None and total > _NOISY * design.loop.clamp:
                loudest = max(noise, key=lambda channel: noise[channel])
                found.append(
                    f"{name}: noise and steps of {loudest} and others make {total:.3g} {design.loop.unit} "
                    f"rms of command, {100.0 * total / design.loop.clamp:.0f} % of the clamp; bound it with "
                    "`command_noise`"
                )
            if design is not None and design.analysis.margins.system.free and FREE not in found:
                found.append(FREE)
        if not self.tuning.recommended:
            found.append(self.verdict)
        return tuple(found)


def find_gains(
    scenario: Scenario, demand: TuningDemand, tolerances: Sequence[str] = (), *, watch: Watch = unwatched
) -> TuneAnswer:
    """Find the gains of loops and prove them.

    The bounds hold at all corners of tolerances: ``PATH=±20%``, ``PATH=LO..HI``, or a fit.json, for its
    intervals.

    Raises
    ------
    ScenarioError
        Where a tolerance is none, or on a gain that is tuned.
    SimulationError
        Where the bench has no steady state at the operating point, or what must be run takes too long.
    """
    found = read_tolerances(tolerances, scenario.path, scenario.settings)
    for tolerance in found:
        if tolerance.path in demand.gains:
            raise ScenarioError(
                [
                    f"`tolerances` {tolerance.path}: a gain that is tuned has none; state what scatters in "
                    "the bench"
                ]
            )
    if scenario.description.expect:
        check_runs(scenario.description, _RUNS)
    benches = corners(scenario.path, scenario.settings, found)
    with watch("tuning") as progress:
        tuning = tune(benches, demand, progress or _nowhere, judge_of_changes(scenario))
    return TuneAnswer(scenario, tuning, demand, tuple(entry.text for entry in found))


def _nowhere(share: float) -> None:
    """Take the share that is done and show nothing."""
