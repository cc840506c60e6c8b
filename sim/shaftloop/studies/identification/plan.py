"""What to record: the experiment that makes free parameters sure enough, before anyone turns the shaft.

Every kind of excitation is run on the full bench, smaller and smaller until nothing passes a rating, trips or
stays at a limit. What such a log would tell follows from the sensitivities of the model and from what noise
and quantisers leave, by the very code that gives a fit its spreads. The length follows from the best kind.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.overlay import read_measurement
from shaftloop.analysis.ratings import Load, loads, overloads, strained
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import LoopHandle
from shaftloop.errors import BenchError, ScenarioError, SimulationError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop.studies.identification.excitation import KINDS, Experiment, Stage, make_stage
from shaftloop.studies.identification.free import read_free
from shaftloop.studies.identification.noise import robust_spread, rounding
from shaftloop.studies.identification.problem import Estimate, Known, Problem, left_over, what_is_known
from shaftloop.studies.identification.replay import Replay
from shaftloop.studies.identification.restaged import restaged, trace_text

__all__ = ["LONGEST", "Noise", "Plan", "PlanDemand", "Trial", "find_plan"]

Array = NDArray[np.float64]

LONGEST = 60.0
"""Of an excitation whose length is found. [s]"""
_LENGTH = 6.0
"""At which the kinds are compared. [s]"""
_SHARES = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15)
_SPARE = 1.1
"""Length over that which would just do."""
_LENGTHENED = 3
"""Times that an experiment is made longer at most: predicted spreads scatter."""
_NOISE = 1e-3
"""Of a column whose noise is not stated, over its largest size."""
_OFF = ("tripped", "exceeded", "blocked_by_undervoltage", "failed")
"""Events that an experiment must not have."""
_CLOCK = "log.clock"


@dataclass(frozen=True)
class PlanDemand:
    """What a plan is asked for."""

    free: tuple[str, ...]
    """``PATH``, ``PATH=VALUE`` or ``PATH=VALUE ± TOLERANCE`` each; the value counts as the true one."""
    within: float = 0.05
    """Half width of the 95 % interval that is sure enough, over the value. [1]"""
    kinds: tuple[str, ...] = KINDS
    length: float | None = None
    """Of the excitation; found where left out. [s]"""
    speed: float | None = None
    """Operating speed of the leftmost body; that of the sequence where left out. [rad/s]"""
    torque: float | None = None
    """Highest torque; that of the sequence where left out. [N m]"""
    logged: tuple[str, ...] = ()
    """Channels that will be logged, ``CHANNEL`` or ``CHANNEL=NOISE`` each; see `Noise` where left out."""
    held_out: float = 0.3
    """Share of the log that the fit will keep out. [1]"""


@dataclass(frozen=True)
class Noise:
    """What a logging device adds to a channel, beyond the noise that the scenario states.

    Where nothing is stated, the reading of the sensor, the speeds of the machines and the commands of the
    loops are logged, each with a thousandth of its largest size.
    """

    channel: str
    unit: str
    deviation: float
    """Standard deviation of a sample. [unit]"""
    stated: bool


@dataclass(frozen=True)
class Trial:
    """An experiment that was tried in the simulator."""

    experiment: Experiment
    stage: Stage
    text: str
    """The scenario that runs it."""
    refused: tuple[str, ...]
    """What it passes of the bench; empty where it may be recommended."""
    loads: tuple[Load, ...] = ()
    noises: tuple[Noise, ...] = ()
    known: Known | None = None
    """What its log would tell; nothing where it is refused."""
    time: Array | None = None
    """Of the log, shape (rows,). [s]"""
    columns: dict[str, Array] | None = None
    """Of the log, as it would be recorded, by channel; SI units."""

    @property
    def wanted(self) -> tuple[Estimate, ...]:
        """What would be known of the values of the bench."""
        return tuple(entry for entry in (self.known.estimates if self.known else ()) if entry.free.of_bench)

    def widths(self) -> tuple[float, ...]:
        """Return the half widths of the 95 % intervals, over the values or their sizes [1]."""
        return tuple(_width(entry) for entry in self.wanted)


@dataclass(frozen=True)
class Plan:
    """What to record."""

    demand: PlanDemand
    trials: tuple[Trial, ...]
    """Of every kind, the best first."""

    @property
    def best(self) -> Trial:
        """What is recommended."""
        return self.trials[0]

    @property
    def short(self) -> tuple[Estimate, ...]:
        """Parameters that the best experiment does not make sure enough."""
        widths = zip(self.best.wanted, self.best.widths(), strict=True)
        return tuple(entry for entry, width in widths if not width <= self.demand.within)


def find_plan(
    scenario: Scenario, demand: PlanDemand, progress: Callable[[float], None] | None = None
) -> Plan:
    """Find the experiment that makes parameters sure enough.

    Parameters
    ----------
    scenario : Scenario
        The bench, at best knowledge.
    demand : PlanDemand
        What is asked for.
    progress : callable, optional
        Called now and then with the share that is done.

    Raises
    ------
    ScenarioError
        Where something is asked for that is not there, or every experiment passes a rating.
    SimulationError
        Where the bench cannot be run.
    """
    for kind in demand.kinds:
        if kind not in KINDS:
            raise ScenarioError([f"`kinds` {shown(kind)}: choose of {', '.join(KINDS)}"])
    tell = progress or (lambda share: None)
    trials: list[Trial] = []
    with TemporaryDirectory() as name:
        laboratory = _Laboratory(scenario, demand, Path(name))
        for number, kind in enumerate(demand.kinds):
            tell(number / (len(demand.kinds) + 1))
            trial = laboratory.largest(kind, demand.length or _LENGTH)
            if trial is not None:
                trials.append(trial)
        allowed = [trial for trial in trials if not trial.refused]
        if not allowed:
            reasons = [f"{trial.experiment.kind}: {trial.refused[0]}" for trial in trials]
            raise ScenarioError(
                [
                    f"no experiment keeps what the bench stands, even at {100.0 * _SHARES[-1]:.0f} % of the "
                    f"operating point ({'; '.join(reasons)}); choose a lower speed or torque; if a loop is "
                    "unstable, which margins show, none will do"
                ]
            )
        allowed.sort(key=lambda trial: _worth(trial, demand.within))
        best = allowed[0]
        if demand.length is None:
            best = laboratory.lengthened(best)
    refused = [trial for trial in trials if trial.refused]
    return Plan(demand, (best, *allowed[1:], *refused))


def _worth(trial: Trial, within: float) -> tuple[float, float]:
    """Return how bad an experiment is: how many parameters are not sure enough, and how sure they are."""
    widths = np.array(trial.widths())
    return float(np.sum(~(widths <= within))), float(np.mean(np.log(np.minimum(widths, 1e3))))


def _width(entry: Estimate) -> float:
    """Return the half width of an interval over the size of the value [1]."""
    low, high = entry.interval
    return 0.5 * (high - low) / entry.free.scale


class _Laboratory:
    """A folder in which experiments are written, run and judged as a user would."""

    def __init__(self, scenario: Scenario, demand: PlanDemand, folder: Path) -> None:
        self.scenario, self.demand, self.folder = scenario, demand, folder
        bench = build_bench(scenario.description, smooth=True)
        self.point = operating_point(bench, demand.speed, demand.torque)
        self.bench = bench
        units = {channel.name: channel.unit for channel in bench.model.channels}
        self.noises = _logged(demand.logged, units, bench.loops, list(bench.machines))
        logged = {f"log.{name}.{way}": (unit, False) for name, unit, _ in self.noises for way in _COLUMN_WAYS}
        frees = read_free(scenario, demand.free, logged | {_CLOCK: ("s", False), "log.drift": ("1", False)})
        self.settings = [
            *(text for text in scenario.settings if not text.startswith(_STAGED)),
            *(free.setting(0.0) for free in frees if free.of_bench),
        ]

    def largest(self, kind: str, length: float) -> Trial | None:
        """Return the largest experiment of a kind that keeps what the bench stands.

        Parameters
        ----------
        kind : str
            One of `KINDS`.
        length : float
            [s]
        """
        trial = None
        for share in _SHARES:
            try:
                trial = self.tried(Experiment(kind, share, length))
            except BenchError:
                if len(self.demand.kinds) == 1:
                    raise
                return None  # The bench lacks what this kind needs.
            if not trial.refused:
                break
        return trial

    def lengthened(self, trial: Trial) -> Trial:
        """Return an experiment as long as it takes to make all sure enough, where length can do that."""
        for _ in range(_LENGTHENED):
            ratio = max((width for width in trial.widths() if width < 1.0), default=0.0) / self.demand.within
            last = trial.experiment
            length = float(np.ceil(min(_SPARE * last.length * ratio**2, LONGEST)))
            if ratio <= 1.0 or length <= last.length:
                break
            longer = self.tried(Experiment(last.kind, last.share, length))
            if longer.refused:
                break
            trial = longer
        return trial

    def tried(self, experiment: Experiment) -> Trial:
        """Return an experiment as it runs, and what its log would tell.

        Parameters
        ----------
        experiment : Experiment
            To be tried.
        """
        stage = make_stage(self.bench, self.point, experiment, trace_file(self.scenario))
        rate = max(float(loop.parameters.rate) for loop in self.bench.loops.values())
        text = restaged(self.scenario, stage, rate)
        path = self.folder / f"{self.scenario.name}.toml"
        path.write_text(text, encoding="utf-8")
        if stage.table:
            (self.folder / trace_file(self.scenario)).write_text(trace_text(stage.table), encoding="utf-8")
        beside = (self.scenario.path.parent, *self.scenario.beside)
        planned = read_scenario(path, self.settings, beside=beside)
        try:
            run = simulate(planned.description)
        except SimulationError as error:
            return Trial(experiment, stage, text, (str(error),))
        refused = _passed(run)
        if refused:
            return Trial(experiment, stage, text, refused, loads(run))
        noises = self._noises(run)
        columns = _recorded(run, noises)
        known = self._told(planned, run.time, columns, noises)
        return Trial(experiment, stage, text, (), loads(run), noises, known, run.time, columns)

    def _noises(self, run: Simulation) -> tuple[Noise, ...]:
        return tuple(
            Noise(
                name,
                unit,
                _NOISE * float(np.max(np.abs(run.traces[name]))) if stated is None else stated,
                stated is not None,
            )
            for name, unit, stated in self.noises
        )

    def _told(
        self, planned: Scenario, time: Array, columns: dict[str, Array], noises: Sequence[Noise]
    ) -> Known:
        """Return what a log of a run would tell, with a clock of its own."""
        log = self.folder / "log.npz"
        named: dict[str, Any] = {"time [s]": time}
        named |= {f"{noise.channel} [{noise.unit}]": columns[noise.channel] for noise in noises}
        np.savez(log, **named)
        replay = Replay(planned, [read_measurement(log)])
        texts = [*self.demand.free, *([] if _CLOCK in " ".join(self.demand.free) else [_CLOCK])]
        frees = read_free(planned, texts, replay.log_parameters())
        problem = Problem(replay, frees, self.demand.held_out)
        theta = np.zeros(len(frees))
        shown_at = problem.shown([theta])[0]
        scales = [max(robust_spread(values), rounding(values)) for values in problem.measured]
        scales = left_over(problem, shown_at, scales)
        left = [m - s for m, s in zip(problem.measured, shown_at, strict=True)]
        return what_is_known(problem, theta, left, scales)


_STAGED = ("sequence", "duration", "duty", "fault", "expect", "record.rate")
"""Settings that an experiment takes the place of."""
_COLUMN_WAYS = ("gain", "zero")


def trace_file(scenario: Scenario) -> str:
    """Return the name of the trace beside a plan."""
    return f"{scenario.name}-plan.csv"


def _logged(
    texts: Sequence[str], units: dict[str, str], loops: dict[str, LoopHandle], machines: Sequence[str]
) -> list[tuple[str, str, float | None]]:
    """Return the channels that are logged, with unit and stated noise."""
    commands = [f"{name}_command" for name, loop in loops.items() if loop.setpoint_slot >= 0]
    names = [*(f"{name}_speed" for name in machines), *commands]
    usual = [name for name in ("reading", *names) if name in units]
    found, wrong = [], []
    for text in texts or usual:
        name, stated, noise = (part.strip() for part in text.partition("="))
        if name not in units:
            wrong.append(f"`logged` {shown(text)}: no such channel{nearest(name, units)}")
            continue
        try:
            value = float(read_quantity(noise, (units[name],))[0]) if stated else None
        except UnitError as error:
            wrong.append(f"`logged` {shown(text)}: {error}; write CHANNEL=NOISE, its standard deviation")
            continue
        if value is not None and not value > 0.0:
            wrong.append(f"`logged` {shown(text)}: the noise must be above 0")
        found.append((name, units[name], value))
    if wrong:
        raise ScenarioError(wrong)
    return found


def _passed(run: Simulation) -> tuple[str, ...]:
    """Return, in words, what a run passes of what the bench stands."""
    events = tuple(
        f"{event.name} {event.kind.replace('_', ' ')} at {event.time:.4g} s"
        for event in run.events
        if event.kind in _OFF and event.name != "sequence"
    )
    return (*overloads(run), *strained(run), *events)


def _recorded(run: Simulation, noises: Sequence[Noise]) -> dict[str, Array]:
    """Return what a log of a run would hold."""
    rng = np.random.default_rng(0)
    return {
        noise.channel: run.traces[noise.channel] + noise.deviation * rng.normal(size=len(run.time))
        for noise in noises
    }
