"""Check a scenario: its expectations, against a baseline or against itself as it stands."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from shaftloop.analysis.freerunning import sweep_note
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.scenario.source import label_of
from shaftloop.scenario.units import UnitError
from shaftloop.studies.checks.baseline import Baseline, bench_parts, changed, read_baseline, take
from shaftloop.studies.checks.expectations import Expectation, resolve
from shaftloop.studies.checks.gains import GainsFile, gains_of, with_gains
from shaftloop.studies.checks.judge import Verdict, judge
from shaftloop.studies.responses import evaluate, known, simulates

__all__ = ["AS_STATED", "CheckedScenario", "Refused", "check_scenario", "judge_of_changes"]

AS_STATED = "the scenario as it stands"
"""Label of a reference that was evaluated and not read."""

_DEFAULT = "not stated"


@dataclass(frozen=True)
class CheckedScenario:
    """What was found about a scenario."""

    scenario: Scenario
    verdicts: tuple[Verdict, ...]
    found: Mapping[str, Figure]
    """The figures by name."""
    reference: Baseline | None = None
    """What it was compared with."""
    stale: tuple[str, ...] = ()
    """Entries of the bench that differ from those of the baseline: it is of another version."""
    unknown: tuple[str, ...] = ()
    """Figures that are expected but not in the baseline."""
    compared: bool = True
    """False where it was not to be compared with anything."""
    beyond: tuple[str, ...] = ()
    """Figures of parts that the run takes beyond a limit, which nobody asked for."""
    corner: str = ""
    """Ends of the tolerances at which it was checked; empty where it is the bench as it stands."""

    @property
    def label(self) -> str:
        """Name of the scenario, and at which corner."""
        return f"{self.scenario.name} at {self.corner}" if self.corner else self.scenario.name

    @property
    def gain_changes(self) -> dict[str, tuple[str, str]]:
        """Gains that differ from those of the reference: (before, now) by path."""
        if self.reference is None:
            return {}
        before, now = self.reference.gains, gains_of(self.scenario.description)
        return {path: (before.get(path, _DEFAULT), now.get(path, _DEFAULT)) for path in changed(before, now)}

    @property
    def warnings(self) -> tuple[str, ...]:
        """What looks wrong in the scenario, and what its free-running clocks leave out."""
        bound = sweep_note(self.scenario.description)
        return (*self.scenario.warnings, *([bound] if bound else []), *self.overloads)

    @property
    def overloads(self) -> tuple[str, ...]:
        """Parts that the run takes beyond a limit that no expectation holds: they are damaged."""
        parts = (name.rsplit(".", 2)[1:] for name in self.beyond)
        return tuple(
            f"the run takes {part} beyond its limit of {quantity}, and no expectation holds it: such a part "
            "is damaged (see shaftloop simulate)"
            for part, quantity in parts
        )

    @property
    def status(self) -> Literal["passed", "failed", "error"]:
        """``error`` where a simulation or analysis failed, ``failed`` where something does not hold."""
        states = {verdict.status for verdict in self.verdicts}
        if "error" in states:
            return "error"
        return "failed" if "failed" in states or self.stale else "passed"


@dataclass(frozen=True)
class Refused:
    """A scenario, baseline or gains file that cannot be used."""

    name: str
    """As asked for."""
    messages: tuple[str, ...]

    @property
    def status(self) -> Literal["refused"]:
        """For tables and documents."""
        return "refused"


def check_scenario(
    source: str | Path,
    settings: tuple[str, ...] = (),
    gains: GainsFile | None = None,
    baseline: Path | None = None,
    compare: bool = True,
) -> CheckedScenario:
    """Evaluate and judge the expectations of a scenario, with settings ``path=value``.

    With a baseline, an existing file, the figures are compared with it. Without one, gains or settings are
    compared with the scenario as it stands; `compare` false judges the bounds alone.

    Raises
    ------
    ScenarioError
        Where one of the files cannot be used, or nothing is expected.
    """
    scenario = read_scenario(source, settings) if gains is None else with_gains(source, settings, gains)
    expectations = resolve(scenario)
    if not expectations:
        raise ScenarioError(
            [
                f"{label_of(scenario.path)}: nothing is expected; add an [[expect]], e.g. "
                'metric = "margins.torque.ms" and at_most = 1.6'
            ]
        )
    names = [entry.metric for entry in expectations]
    reference: Baseline | None = None
    stale: tuple[str, ...] = ()
    if baseline is not None:
        reference = read_baseline(baseline)
        stale = changed(reference.bench, bench_parts(scenario.description))
    looked = [*names, *_limits(scenario.description, names)]
    every = evaluate(scenario.description, looked)
    found = {name: every[name] for name in names}
    if compare and baseline is None and (settings or gains is not None):
        plain = read_scenario(source)
        reference = take(plain, evaluate(plain.description, names), "", AS_STATED)
    verdicts = tuple(_judge(entry, found[entry.metric], reference, not stale) for entry in expectations)
    unknown = () if reference is None else tuple(n for n in names if n not in reference.values)
    beyond = tuple(
        name for name, figure in every.items() if name not in names and (figure.value or 0.0) > 1.0
    )
    return CheckedScenario(scenario, verdicts, found, reference, stale, unknown, compare, beyond)


def _limits(description: Description, names: Sequence[str]) -> list[str]:
    """Return the figures of what the parts of a bench that is run are loaded with, of their limits."""
    if not simulates(names):
        return []
    return [name for name in known(description, names) if name.startswith("simulate.load_of_limit.")]


def judge_of_changes(scenario: Scenario) -> Callable[[Description], tuple[Verdict, ...]]:
    """Return what judges changed benches by the bounds of a scenario, next to the scenario as it stands.

    It may have no expectations. Tolerances do not count: a change was wanted.

    Raises
    ------
    ScenarioError
        Where an expectation names what the bench does not have.
    """
    expectations = resolve(scenario)
    names = [entry.metric for entry in expectations]

    known: list[tuple[Description, Mapping[str, Figure]]] = []

    def figures(bench: Description) -> Mapping[str, Figure]:
        for other, found in known:
            if other == bench:
                return found
        known.append((bench, evaluate(bench, names)))
        return known[-1][1]

    def judged(bench: Description) -> tuple[Verdict, ...]:
        if not names:
            return ()
        before = take(scenario, figures(scenario.description), "", AS_STATED)
        found = figures(bench)
        return tuple(_judge(entry, found[entry.metric], before, False) for entry in expectations)

    return judged


def _judge(expectation: Expectation, response: Figure, reference: Baseline | None, judged: bool) -> Verdict:
    recorded = reference.values.get(expectation.metric) if reference is not None else None
    try:
        return judge(expectation, response, recorded, judged)
    except UnitError as error:
        label = reference.label if reference is not None else ""
        raise ScenarioError(
            [f"{label}: values.{expectation.metric}: {error}; write it anew with `update_baseline`"]
        ) from None
