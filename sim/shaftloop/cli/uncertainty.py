"""`shaftloop uncertainty`: budgets of a bench, or of any measurement written as a file."""

from typing import TYPE_CHECKING, Any

import click

from shaftloop.cli.options import Request, hand_out, scenario_options

if TYPE_CHECKING:
    from pathlib import Path

    from shaftloop.report.uncertainty_results import BenchResults

__all__ = ["uncertainty"]

_TRIALS = 200_000


@click.command()
@scenario_options
@click.option(
    "--point",
    "points",
    metavar="SPEED,TORQUE",
    multiple=True,
    help='Operating point, e.g. "800 rpm, 90 N m"; repeatable; else those of the scenario.',
)
@click.option("--map", "with_map", is_flag=True, help="Also the uncertainty over speed and torque.")
@click.option("--trials", metavar="N", help='Monte Carlo trials, or "adaptive" (JCGM 101, 7.9).')
@click.option(
    "--monte-carlo-alone",
    "alone",
    is_flag=True,
    help="No first-order budget: for a measurement file with a kink, a pole or the edge of a root.",
)
def uncertainty(
    request: Request, points: tuple[str, ...], with_map: bool, trials: str | None, alone: bool
) -> None:
    """Show how sure torque, speed, power and efficiency of SCENARIO are.

    SCENARIO is a scenario (file or name of a shipped one), or a measurement file: quantities with their
    distributions and expressions of them, with no [[line]]. Budgets follow JCGM 100, Monte Carlo JCGM 101.
    Writes uncertainty.json, contributions, window and with --map the map as SVG and PNG into
    ./shaftloop-out/<scenario>/. With --json nothing is written unless --out is given.
    """
    from shaftloop.analysis.uncertainty.reading import is_measurement_file
    from shaftloop.scenario.source import find_scenario

    path = find_scenario(request.source)
    count = _read_trials(trials)
    if is_measurement_file(path):
        if points or with_map or request.settings:
            raise click.UsageError(
                "--point, --map and --set go with a scenario, not with a measurement file."
            )
        changes: dict[str, Any] = {"trials": count} if trials is not None else {}
        _measurement_file(request, path, changes | ({"alone": True} if alone else {}))
    elif alone:
        raise click.UsageError("--monte-carlo-alone goes with a measurement file, not with a scenario.")
    else:
        _bench(request, points, with_map, count, trials is not None)


def _measurement_file(request: Request, path: "Path", changes: dict[str, Any]) -> None:
    from dataclasses import replace

    from shaftloop.analysis.uncertainty.evaluation import evaluate_both
    from shaftloop.analysis.uncertainty.reading import read_measurement_file
    from shaftloop.cli.options import hand_out, say
    from shaftloop.report.documents import as_json
    from shaftloop.report.files import make_folder
    from shaftloop.report.uncertainty_file import FileResults, file_document, show_file, write_file

    file = read_measurement_file(path)
    for warning in file.warnings:
        say(f"warning: {warning}")
    folder = request.folder(file.name)
    if folder is not None:
        make_folder(folder)
    results = FileResults(file, evaluate_both(file.measurement, replace(file.plan, **changes)))
    document = as_json(file_document(results))
    files = write_file(folder, results, document) if folder is not None else []
    if request.json:
        hand_out(document)
    else:
        show_file(results, files)


def _bench(
    request: Request, points: tuple[str, ...], with_map: bool, trials: int | None, stated: bool
) -> None:
    from shaftloop.report.documents import as_json
    from shaftloop.report.files import make_folder
    from shaftloop.report.uncertainty_results import bench_document, show_bench, write_bench

    results = _bench_results(request, points, with_map, trials if stated else _TRIALS)
    folder = request.folder(results.scenario.name)
    if folder is not None:
        make_folder(folder)
    document = as_json(bench_document(results))
    files = write_bench(folder, results, document) if folder is not None else []
    if request.json:
        hand_out(document)
    else:
        show_bench(results, files)


def _bench_results(
    request: Request, texts: tuple[str, ...], with_map: bool, trials: int | None
) -> "BenchResults":
    from shaftloop.analysis.efficiency import bench_budget, window_curve
    from shaftloop.analysis.efficiency_map import efficiency_map
    from shaftloop.analysis.efficiency_points import measured_bench, stated_points
    from shaftloop.analysis.uncertainty.evaluation import Plan, evaluate_both
    from shaftloop.report.uncertainty_results import BenchResults
    from shaftloop.scenario.uncertainty import Uncertainty

    scenario = request.read()
    description = scenario.description
    conditions = description.uncertainty or Uncertainty()
    measured = measured_bench(description)
    points = stated_points(measured, texts)
    plan = Plan(conditions.coverage, trials=trials, seed=description.seed)
    budgets = [bench_budget(measured, point, conditions) for point in points]
    return BenchResults(
        scenario,
        measured,
        conditions,
        tuple((budget, evaluate_both(budget.measurement, plan)) for budget in budgets),
        window_curve(measured, points[0], conditions),
        efficiency_map(measured, points, conditions) if with_map else None,
    )


def _read_trials(text: str | None) -> int | None:
    """Return a number of trials, nothing for the adaptive procedure."""
    from shaftloop.analysis.uncertainty.montecarlo import MOST_TRIALS
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown

    if text is None or text == "adaptive":
        return None
    if not text.isascii() or not text.isdecimal() or len(text) > 9 or not 2 <= int(text) <= MOST_TRIALS:
        raise ScenarioError(
            [f'--trials {shown(text)}: no whole number from 2 to {MOST_TRIALS} and not "adaptive"']
        )
    return int(text)
