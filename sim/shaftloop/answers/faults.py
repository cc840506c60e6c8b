"""What the bench stands when something fails."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.faults import FaultRun, run_faults, standard_faults

__all__ = ["FaultsAnswer", "find_faults"]


@dataclass(frozen=True)
class FaultsAnswer(Answer):
    """A run for every fault, the worst first."""

    runs: tuple[FaultRun, ...]
    protected: bool
    """Whether the interlocks act."""

    @property
    def damaging(self) -> list[FaultRun]:
        """Those that take a part beyond its limit."""
        return [run for run in self.runs if run.damages]

    @property
    def figures(self) -> dict[str, Figure]:
        """The share of its limit that the worst part sees, by fault, and how many faults do damage."""
        return by_name(_figures(self))


def _figures(answer: FaultsAnswer) -> Iterator[Figure]:
    meaning = "faults that take a part beyond its limit"
    yield Figure("damaging", "1", meaning, better="lower").found(len(answer.damaging))
    for run in answer.runs:
        group = f"{run.fault.on}.{run.fault.kind}"
        share = Figure(
            f"{group}.share", "1", "what the worst part sees, over its limit or rating", better="lower", group=group
        )
        yield share.absent(run.error, failed=True) if run.error else share.found(run.share)
        off = Figure(f"{group}.torque_off", "s", "from the fault until the torque is away", group=group)
        yield off.found(run.off) if run.off is not None else off.absent("nothing takes the torque away")


def find_faults(
    scenario: Scenario, names: Sequence[str] = (), *, protected: bool = True, watch: Watch = unwatched
) -> FaultsAnswer:
    """Run a bench with every fault of the standard set.

    Parameters
    ----------
    scenario : Scenario
        As read.
    names : sequence of str
        Only faults of these: a part, hop or loop, or one kind of it as ``c1.broken``; all where empty.
    protected : bool
        False to leave the interlocks out.
    watch : callable
        Shows what is going on.

    Raises
    ------
    ScenarioError
        Where a name has no fault, with the nearest.
    """
    chosen = standard_faults(scenario.description)
    for name in names:
        known = [on for on, _ in chosen] + [f"{on}.{kind}" for on, kind in chosen]
        if name not in known:
            raise ScenarioError([f"{shown(name)} is nothing that fails here{nearest(name, known)}"])
    if names:
        chosen = [(on, kind) for on, kind in chosen if on in names or f"{on}.{kind}" in names]
    with watch("trying faults") as progress:
        runs = run_faults(scenario.description, chosen, protected=protected, progress=progress)
    return FaultsAnswer(scenario, runs, protected)
