"""A study from its file to what it says."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.findings import StudyFindings, find
from shaftloop.studies.whatif.processes import Processes
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import open_store

__all__ = ["study", "texts_of"]


def study(
    source: str | Path,
    settings: Mapping[str, Any] | None = None,
    *,
    out: str | Path | None = None,
    workers: int = 1,
    top: int = 10,
) -> StudyFindings:
    """Run a study, or go on with one that was stopped, and return what it says.

    Parameters
    ----------
    source : str or Path
        A study file, or the name of a shipped one.
    settings : mapping, optional
        Values of its scenario by path.
    out : str or Path, optional
        Existing folder that keeps the results; they go with the answer where left out.
    workers : int
        Processes. More than one needs a script that guards its start by ``if __name__ == "__main__"``.
    top : int
        How many candidates are ranked.

    Raises
    ------
    ScenarioError
        With everything that is wrong in the study.
    SimulationError
        Where the scenario changes while the study runs.
    """
    wanted = read_study(source, texts_of(settings or {}))
    place = None if out is None else Path(out) / "results.sqlite"
    store = open_store(place, wanted, CandidatePlan(wanted.axes, wanted.design))
    execute(store, run_here if workers == 1 else Processes(workers))
    return find(store, top)


def texts_of(settings: Mapping[str, Any]) -> list[str]:
    """Return values by path, ``{"loop.torque.kp": 0.08}``, as a command line states them."""
    return [f"{path}={value}" for path, value in settings.items()]
