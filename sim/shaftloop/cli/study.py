"""`shaftloop study`: one question asked of many benches."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import Request, check_of_use, default_folder, hand_over, request_options, say

if TYPE_CHECKING:
    from shaftloop.studies.whatif.execute import Runner
    from shaftloop.studies.whatif.store import ResultStore

__all__ = ["study"]

_STORE = "results.sqlite"
_LONG = 10.0
"""Processor time from which on a study says ahead what it takes. [s]"""


@click.command()
@request_options("STUDY")
@click.option(
    "--table", type=click.Path(path_type=Path), metavar="FILE", help="All candidates: .csv, .parquet."
)
@click.option(
    "--top", default=10, show_default=True, type=click.IntRange(1, 1000), help="Candidates to rank."
)
@click.option("--workers", type=click.IntRange(1, 1024), metavar="N", help="Processes; else one per core.")
@click.option("--cluster", metavar="ADDRESS", help="Run on this Dask scheduler, e.g. tcp://10.0.0.5:8786.")
@click.option("--fresh", is_flag=True, help="Throw away what an earlier run of the study left.")
@click.option(
    "--so-far", is_flag=True, help="Show what is there of a study that runs or was stopped; run nothing."
)
def study(
    request: Request,
    table: Path | None,
    top: int,
    workers: int | None,
    cluster: str | None,
    fresh: bool,
    so_far: bool,
) -> None:
    """Run STUDY, a file or the name of a shipped one: many candidates of one scenario.

    Every result goes into results.sqlite as it comes; the same command goes on where an earlier one ended.
    Writes study.json, candidates.csv and pictures into ./shaftloop-out/<study>/. With --json nothing is
    written, and nothing can be resumed, unless --out is given. With --so-far nothing but --table is written.
    """
    from shaftloop.report.files import make_folder
    from shaftloop.report.study.table import check_table
    from shaftloop.studies.whatif.designs import CandidatePlan
    from shaftloop.studies.whatif.reading import read_study
    from shaftloop.studies.whatif.store import open_store

    if so_far and (workers or cluster or fresh):
        raise click.UsageError("--so-far runs nothing; leave out --workers, --cluster and --fresh.")
    if request.json and request.out is None and not so_far:
        check_of_use(["fresh"], "with --json nothing is kept unless a folder is named; add --out.")
    run = _runner(workers, cluster)
    wanted = read_study(request.source, request.settings)
    plan = CandidatePlan(wanted.axes, wanted.design)
    if table is not None:
        check_table(table)
    if so_far:
        results = (request.out or default_folder(wanted.name)) / _STORE
        with open_store(results, wanted, plan, reading=True) as store:
            _hand_over(store, request, None, table, top)
        return
    folder = request.folder(wanted.name)
    if folder is not None:
        make_folder(folder)
    place = None if folder is None else folder / _STORE
    with open_store(place, wanted, plan, fresh=fresh) as store:
        _run(store, run)
        _hand_over(store, request, folder, table, top)


def _runner(workers: int | None, cluster: str | None) -> "Runner":
    if workers is not None and cluster is not None:
        raise click.UsageError("--workers counts processes of this machine; leave it out with --cluster.")
    from shaftloop.studies.whatif.cluster import Cluster
    from shaftloop.studies.whatif.execute import run_here
    from shaftloop.studies.whatif.processes import Processes

    if cluster is not None:
        return Cluster(cluster)
    count = workers or _cores()
    return run_here if count == 1 else Processes(count)


def _cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _run(store: "ResultStore", run: "Runner") -> None:
    from shaftloop.analysis.cost import told
    from shaftloop.report.terminal import Progress
    from shaftloop.studies.whatif.estimate import estimated
    from shaftloop.studies.whatif.execute import execute

    before, total = store.done, store.plan.total
    if 0 < before:
        say(f"going on: {before} of {total} candidates are there already")
    takes = estimated(store.study, total - before)
    if takes.seconds > _LONG:
        runs = f"; a run has {takes.records} records" if takes.records else ""
        say(
            f"{takes.candidates} candidates take about {told(takes.seconds)} of processor time, most of it "
            f"for {takes.driver} ({told(takes.parts[takes.driver])} each){runs}"
        )
    try:
        with Progress(f"{total} candidates") as progress:
            execute(store, run, progress)
    except KeyboardInterrupt:
        kept = "kept; the same command goes on from there" if store.path else "lost; name a folder by --out"
        say(f"{store.done} of {total} candidates are done and {kept}")
        raise


def _hand_over(
    store: "ResultStore", request: Request, folder: Path | None, table: Path | None, top: int
) -> None:
    from shaftloop.errors import SimulationError
    from shaftloop.report.study import room
    from shaftloop.report.study.table import write_table
    from shaftloop.studies.whatif.findings import find

    results = find(store, top)
    if table is not None:
        write_table(table, store, results.answers)
    hand_over(results, room, request, folder, *([] if table is None else [table]))
    if not results.table.done.any():
        raise SimulationError("no candidate could be evaluated", "the reasons are in the table of candidates")
