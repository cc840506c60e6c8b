"""What the bench does: a run of its sequence with the metrics and the proof of its accuracy."""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from shaftloop.analysis.atend import AtEnd, at_end
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.overlay import MeasuredRun, Overlay, lay_over
from shaftloop.analysis.ratings import overloads, runaway, strained
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.timeline import Timeline, timeline
from shaftloop.analysis.verify import Verification, check_energy, verify
from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.answers.frames import traces_dataset, traces_frame
from shaftloop.cautions import cautions
from shaftloop.engine.events import OFF, Event
from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario

if TYPE_CHECKING:
    import pandas
    import xarray

__all__ = ["RunAnswer", "find_run"]


@dataclass(frozen=True)
class RunAnswer(Answer):
    """A run of a scenario with all that was found in it."""

    simulation: Simulation
    metrics: dict[str, Figure]
    unclosed: tuple[str, ...] = ()
    """Whose energy does not close well."""
    verification: Verification | None = None
    """The run against one with finer steps."""
    overlay: Overlay | None = None
    """The run against a measured one."""

    @property
    def overloads(self) -> tuple[str, ...]:
        """Limits of parts that the run passes: such parts are damaged."""
        return overloads(self.simulation)

    @cached_property
    def at_end(self) -> AtEnd:
        """What is left in the bench at the end of the run."""
        return at_end(self.simulation)

    @cached_property
    def timeline(self) -> Timeline | None:
        """What happened, where something failed, tripped or took the torque away."""
        return timeline(self.simulation)

    @property
    def off(self) -> Event | None:
        """What took the torque away; nothing where it never was."""
        return next((event for event in self.simulation.events if event.kind in OFF), None)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is to be minded where the line turns, a link is charged or a trip has let go of the line."""
        left = self.at_end
        magnets = ("magnets",) if left.turns and left.voltages else ()
        link = ("link",) if left.turns or self.simulation.bench.link.ports is not None else ()
        off = ("restart", "lockout") if self.off else ()
        warm = ("hot",) if self.simulation.heat else ()
        return cautions(*magnets, *link, *off, *warm)

    @property
    def notes(self) -> tuple[str, ...]:
        """What runs away, what does not close, what parts do not stand, how sparse the records are."""
        fast = runaway(self.simulation)
        found = *self.unclosed, *self.overloads, *strained(self.simulation), *self._sparse()
        return (fast, *found) if fast else found

    def _sparse(self) -> tuple[str, ...]:
        bench = self.simulation.bench
        if bench.record_sparser == 1:
            return ()
        rate = float(1 / bench.record_period)
        return (
            f"a long run: recorded at {rate:.6g} Hz instead of {rate * bench.record_sparser:.6g} Hz, and "
            "times of the metrics are as coarse as that; state record.rate for another",
        )

    def traces_to_pandas(self) -> "pandas.DataFrame":
        """Return the recorded channels over time [s]; their units stand in ``attrs["units"]``."""
        return traces_frame(self.simulation)

    def to_xarray(self) -> "xarray.Dataset":
        """Return the recorded channels over time, each with its unit in ``attrs["units"]``."""
        return traces_dataset(self.simulation)

    @property
    def figures(self) -> dict[str, Figure]:
        """The metrics by name."""
        return self.metrics


def find_run(
    scenario: Scenario,
    *,
    method: str = "etd4",
    finer: bool = False,
    measurement: MeasuredRun | None = None,
    offset: float = 0.0,
    watch: Watch = unwatched,
) -> RunAnswer:
    """Run a scenario.

    `finer` repeats the run with half the step and compares; a measured run to compare with begins `offset`
    later. [s]

    Raises
    ------
    SimulationError
        Where the bench diverges, its energy does not close, or the run would be too long or too large.
    """
    with watch("simulating") as progress:
        simulation = simulate(scenario.description, method=method, progress=progress)
    unclosed = tuple(check_energy(simulation))
    verification = None
    if finer:
        with watch("once more with finer steps") as progress:
            verification = verify(scenario.description, simulation, progress=progress)
    overlay = None if measurement is None else lay_over(simulation, measurement, offset)
    return RunAnswer(scenario, simulation, metrics(simulation), unclosed, verification, overlay)
