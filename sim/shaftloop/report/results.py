"""A run with all that was found in it, and its folder of files."""

from dataclasses import dataclass
from pathlib import Path

from shaftloop.analysis.overlay import Overlay
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.verify import Verification
from shaftloop.figures import Figure
from shaftloop.report.files import write_text
from shaftloop.report.traces import write_traces
from shaftloop.scenario.reading import Scenario

__all__ = ["Results", "write_folder"]


@dataclass(frozen=True)
class Results:
    """What `shaftloop simulate` found."""

    scenario: Scenario
    simulation: Simulation
    metrics: dict[str, Figure]
    warnings: tuple[str, ...]
    """What looks wrong in the scenario and in the run."""
    verification: Verification | None = None
    """The run against one with finer steps."""
    overlay: Overlay | None = None
    """The run against a measured one."""

    @property
    def title(self) -> str:
        """Title of the scenario."""
        return self.scenario.description.title


def write_folder(folder: Path, results: Results, document: str) -> list[Path]:
    """Write metrics, traces and pictures of a run and return the files.

    Parameters
    ----------
    folder : Path
        An existing folder.
    results : Results
        Of the run.
    document : str
        The JSON document, written as metrics.json.

    Raises
    ------
    OutputError
        Where a file cannot be written.
    """
    from shaftloop.analysis.flow import energy_flow
    from shaftloop.report.energy_picture import draw_energy
    from shaftloop.report.overlay_picture import draw_overlay
    from shaftloop.report.overview import draw_overview

    simulation, title = results.simulation, results.title
    files = [folder / "metrics.json", folder / "traces.npz"]
    write_text(files[0], document)
    write_traces(files[1], simulation)
    overview, energy, overlay = (
        [folder / f"{name}.{kind}" for kind in ("svg", "png")] for name in ("overview", "energy", "overlay")
    )
    draw_overview(simulation, title, overview)
    draw_energy(energy_flow(simulation), title, energy)
    files += [*overview, *energy]
    if results.overlay is not None:
        draw_overlay(simulation, results.overlay, title, overlay)
        files += overlay
    return files
