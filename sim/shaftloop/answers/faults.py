"""What the bench stands when something fails."""

from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.cautions import cautions
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Fault
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.faults import FaultRun, found_figures, run_again, run_faults, standard_faults
from shaftloop.studies.guarding import Guarding, try_interlocks

__all__ = ["FaultsAnswer", "find_faults"]


@dataclass(frozen=True)
class FaultsAnswer(Answer):
    """A run for every fault, the worst first."""

    runs: tuple[FaultRun, ...]
    protected: bool
    """Whether the interlocks act."""
    guarding: Guarding | None = None
    """What further interlocks would save; nothing where none might help or the bench's own are left out."""
    saved: tuple[FaultRun, ...] = ()
    """Where interlocks are left out: the runs with them of what does damage without them alone."""

    @property
    def damaging(self) -> list[FaultRun]:
        """Those that take a part beyond its limit."""
        return [run for run in self.runs if run.damages]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What no simulated interlock replaces, and what goes on behind a trip."""
        return cautions("guards", "magnets", "restart", "lockout")

    @property
    def figures(self) -> dict[str, Figure]:
        """The share of its limit that the worst part sees, by fault, and how many faults do damage."""
        return found_figures(self.scenario.description, self.runs)


def find_faults(
    scenario: Scenario, names: Sequence[str] = (), *, protected: bool = True, watch: Watch = unwatched
) -> FaultsAnswer:
    """Run a bench with every fault of the standard set, or with those named.

    A name is what fails, one kind of it as ``c1.broken``, or a fault that the scenario states; `protected`
    false leaves the interlocks out.

    Raises
    ------
    ScenarioError
        Where a name has no fault, with the nearest.
    """
    chosen = standard_faults(scenario.description)
    known = [word for fault in chosen for word in _called(fault)]
    for name in names:
        if name not in known:
            raise ScenarioError([f"{shown(name)} is nothing that fails here{nearest(name, known)}"])
    if names:
        chosen = [fault for fault in chosen if not set(names).isdisjoint(_called(fault))]
    with watch("trying faults") as progress:
        runs = run_faults(scenario.description, chosen, protected=protected, progress=progress)
    damaging = [run for run in runs if run.damages]
    if protected:
        with watch("trying further interlocks"):
            return FaultsAnswer(scenario, runs, protected, try_interlocks(scenario.description, damaging))
    with watch("once more with the interlocks"):
        again = run_again(scenario.description, damaging) if scenario.description.limit else []
    return FaultsAnswer(scenario, runs, protected, saved=tuple(run for run in again if not run.damages))


def _called(fault: Fault) -> tuple[str, str, str]:
    """Return by which names a fault may be asked for."""
    return fault.name, fault.on, f"{fault.on}.{fault.kind}"
