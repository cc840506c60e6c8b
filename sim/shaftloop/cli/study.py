"""`shaftloop study`: many benches."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import Request, request_options, say

if TYPE_CHECKING:
    from shaftloop.studies.whatif.execute import Runner
    from shaftloop.studies.whatif.store import Store

__all__ = ["study"]

_RESULTS = "results.sqlite"


@click.command()
@request_options("STUDY")
@click.option("--workers", type=click.IntRange(1, 1024), help="Processes; one per core where left out.")
@click.option("--cluster", metavar="ADDRESS", help="Run on an existing Dask scheduler, e.g. tcp://host:8786.")
@click.option("--fresh", is_flag=True, help="Throw away the rows of an earlier run.")
@click.option("--top", type=click.IntRange(1, 1000), default=10, show_default=True, help="Rows to be ranked.")
def study(request: Request, workers: int | None, cluster: str | None, fresh: bool, top: int) -> None:
    """Run many versions of a bench and rank them: STUDY is a study file or the name of a shipped one.

    Rows are kept in results.sqlite as they come; the same command goes on where it was stopped. Writes
    study.json, candidates.csv and pictures into ./shaftloop-out/<study>/. With --json nothing is written
    unless --out is given.
    """
    from shaftloop.report.files import make_folder
    from shaftloop.studies.whatif.designs import Plan
    from shaftloop.studies.whatif.reading import read_study
    from shaftloop.studies.whatif.store import open_store

    found = read_study(request.source, request.settings)
    plan = Plan(found.axes, found.design)
    folder = request.folder(found.name)
    if folder is not None:
        make_folder(folder)
    runner = _runner(workers, cluster)
    with open_store(folder / _RESULTS if folder is not None else None, found, plan, fresh=fresh) as store:
        _run(store, runner, folder)
        _hand_over(store, request, folder, top)


def _runner(workers: int | None, cluster: str | None) -> "Runner":
    from shaftloop.studies.whatif.cluster import Cluster
    from shaftloop.studies.whatif.execute import run_here
    from shaftloop.studies.whatif.processes import Processes

    if cluster is not None:
        if workers is not None:
            raise click.UsageError("--workers counts processes of this machine: leave it out with --cluster")
        return Cluster(cluster)
    count = workers or _cores()
    return run_here if count == 1 else Processes(count)


def _cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _run(store: "Store", runner: "Runner", folder: Path | None) -> None:
    from shaftloop.report.tables import Progress
    from shaftloop.studies.whatif.execute import execute

    begun = store.done
    if begun:
        say(f"{begun} of {store.plan.total} candidates are done already")
    try:
        with Progress("candidates") as progress:
            execute(store, runner, progress)
    except KeyboardInterrupt:
        if folder is not None:
            say(
                f"{store.done} of {store.plan.total} candidates are kept; the same command goes on from there"
            )
        raise


def _hand_over(store: "Store", request: Request, folder: Path | None, top: int) -> None:
    from shaftloop.report.documents import as_json
    from shaftloop.report.study_results import study_document, write_study
    from shaftloop.report.study_tables import show_study
    from shaftloop.studies.whatif.findings import find

    results = find(store, top)
    document = as_json(study_document(results))
    files = write_study(folder, results, store, document) if folder is not None else []
    if request.json:
        click.echo(document, nl=False)
    else:
        show_study(results, files)
